package plan

import (
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// Route is one way to the cava and whether it is open.
type Route struct {
	Vein     string       `json:"vein"` // jugular | femoral
	Side     string       `json:"side"` // left | right | not stated
	State    string       `json:"state"`
	Text     string       `json:"text"`
	Day      *string      `json:"day"`
	Evidence []filter.Ref `json:"evidence"`
	Source
}

// The states of a route.
const (
	routeOpen     = "open"
	routeNotOpen  = "not open"
	routeNotKnown = "not known"
)

func (c *proposal) routes() []Route { return append(append([]Route{}, c.jugular...), c.femoral...) }

// route gives the newest word on each side of a vein; a vein of which nothing is told is asked about.
func (c *proposal) route(vein string, sign rules.Sign) []Route {
	var out []Route
	ms := c.Measures(sign)
	for _, side := range []string{"right", "left", ""} {
		for _, m := range ms {
			if m.Side != side {
				continue
			}
			r := Route{Vein: vein, Side: or(side, "not stated"), State: routeNotOpen, Day: dayOf(m.When), Evidence: sorted(m.Evidence), Source: choice("only an entry says that a route is open")}
			r.Text = "Recorded as not open on " + m.When.String() + "."
			if m.Yes {
				r.State, r.Text = routeOpen, "Recorded as open on "+m.When.String()+"; lines placed since can have closed it."
			}
			out = append(out, r)
			break
		}
	}
	if len(out) == 0 {
		out = append(out, Route{Vein: vein, Side: "not stated", State: routeNotKnown, Text: "Not on record: ask, and look with ultrasound before the puncture.", Evidence: []filter.Ref{}, Source: practice()})
	}
	return out
}

// closed reports whether the newest word on a side of a vein is that it is not open; a word without a side counts for either.
func closed(routes []Route, side string) bool {
	for _, r := range routes {
		if r.Side == side {
			return r.State == routeNotOpen
		}
	}
	for _, r := range routes {
		if r.Side == "not stated" {
			return r.State == routeNotOpen
		}
	}
	return false
}

// jugularAccess gives the side for a step from above.
func (c *proposal) jugularAccess() string {
	right, left := closed(c.jugular, "right"), closed(c.jugular, "left")
	side := "right internal jugular"
	switch {
	case right && left:
		return "no jugular route is on record as open: femoral, or another way that the operator knows"
	case right:
		side = "left internal jugular (the right is recorded as not open)"
	}
	if c.tilt.is() {
		side += "; the filter leans, so its tilt on the cavogram decides the side: the vein that lines up with its axis, the left jugular or a femoral vein included"
	}
	return side
}

// femoralAccess gives the side for a step from below.
func (c *proposal) femoralAccess() string {
	right, left := closed(c.femoral, "right"), closed(c.femoral, "left")
	switch {
	case right && left:
		return "no femoral route is on record as open: another way that the operator knows"
	case right:
		return "left common femoral (the right is recorded as not open)"
	}
	return "right common femoral"
}
