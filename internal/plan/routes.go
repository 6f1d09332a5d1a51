package plan

import (
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
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
		if r, told := c.sideOf(vein, side, ms); told {
			out = append(out, r)
		}
	}
	if len(out) == 0 {
		out = append(out, Route{Vein: vein, Side: "not stated", State: routeNotKnown, Text: "Not on record: ask, and look with ultrasound before the puncture.", Evidence: []filter.Ref{}, Source: practice()})
	}
	return out
}

// sideOf gives the newest word on one side of a vein; of one day the one that it is not open counts. An entry as young as that which
// could not be read leaves an open one not known.
func (c *proposal) sideOf(vein, side string, ms []rules.Measure) (r Route, told bool) {
	r = Route{Vein: vein, Side: or(side, "not stated"), State: routeNotKnown, Source: Source{ours + "only an entry says that a route is open", policy.Choice}}
	var same []rules.Measure
	var unread []string
	var evidence []filter.Ref
	for _, m := range ms {
		switch {
		case m.Side != side || len(same) > 0 && m.When.Latest < same[0].When.Latest:
		case m.Unread != "":
			unread, evidence = append(unread, doubtOf(m)), append(evidence, m.Evidence...)
		case len(same) == 0 || m.When == same[0].When:
			same = append(same, m)
		}
	}
	if len(same) > 0 {
		m := same[0]
		evidence = append(evidence, m.Evidence...)
		r.State, r.Text, r.Day = routeNotOpen, "Recorded as not open on "+m.When.String()+".", dayOf(m.When)
		if m.Yes {
			r.State, r.Text = routeOpen, "Recorded as open on "+m.When.String()+"; lines placed since can have closed it."
		}
		text, by := dispute(same, func(m rules.Measure) (string, string) {
			if m.Yes {
				return or(side, "a") + " " + vein + " vein open", "open"
			}
			return or(side, "a") + " " + vein + " vein not open", "not open"
		})
		if text != "" {
			r.Text += " " + text
			evidence = append(evidence, by...)
			c.veins = append(c.veins, say(text, by, Source{ours + "contradictions are named", policy.Choice}))
		}
	}
	if len(unread) > 0 {
		r.Text = strings.TrimSpace(r.Text + " " + strings.Join(unique(unread), " "))
		if r.State == routeOpen {
			r.State = routeNotKnown
		}
	}
	r.Evidence = sorted(evidence)
	return r, len(same) > 0 || len(unread) > 0
}

// stateOf gives what is known of one side of a vein. A word without a side closes both, because it may be of either, and opens none; it
// closes also a side that was called open on an earlier day.
func stateOf(routes []Route, side string) string {
	own, either := -1, -1
	for i, r := range routes {
		switch r.Side {
		case side:
			own = i
		case "not stated":
			if r.State == routeNotOpen {
				either = i
			}
		}
	}
	switch {
	case own < 0 && either < 0:
		return routeNotKnown
	case own < 0, either >= 0 && routes[own].State != routeNotOpen && dayText(routes[either]) > dayText(routes[own]):
		return routeNotOpen
	}
	return routes[own].State
}

// dayText gives the day of a route in a form in which later days are greater.
func dayText(r Route) string {
	if r.Day == nil {
		return ""
	}
	return *r.Day
}

// unknownSides lists the sides of a vein that no entry says anything of that can be used.
func unknownSides(routes []Route) []string {
	var out []string
	for _, side := range []string{"right", "left"} {
		if stateOf(routes, side) == routeNotKnown {
			out = append(out, side)
		}
	}
	return out
}

// access gives the side for a puncture: one that is recorded as open, the right one first, else one that is not recorded as closed.
// right and left name the veins; "" where both are recorded as not open.
func access(routes []Route, right, left string) string {
	r, l := stateOf(routes, "right"), stateOf(routes, "left")
	switch {
	case r == routeOpen:
		return right
	case l == routeOpen && r == routeNotOpen:
		return left + " (the right is recorded as not open)"
	case l == routeOpen:
		return left + " (recorded as open; the right is not known to be)"
	case r == routeNotKnown:
		return right + ", not known to be open"
	case l == routeNotKnown:
		return left + ", not known to be open (the right is recorded as not open)"
	}
	return ""
}

// jugularAccess gives the side for a step from above.
func (c *proposal) jugularAccess() string {
	side := access(c.jugular, "right internal jugular", "left internal jugular")
	switch {
	case side == "":
		return "no jugular route is on record as open: femoral, or another way that the operator knows"
	case c.tilt.is():
		side += "; the filter leans, so its tilt on the cavogram decides the side: the vein that lines up with its axis, the left jugular or a femoral vein included"
	}
	return side
}

// femoralAccess gives the side for a step from below.
func (c *proposal) femoralAccess() string {
	return or(access(c.femoral, "right common femoral", "left common femoral"), "no femoral route is on record as open: another way that the operator knows")
}
