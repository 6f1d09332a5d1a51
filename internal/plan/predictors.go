package plan

import (
	"fmt"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// State says whether something is there. Absent needs an entry that says so; silence is NotKnown.
type State string

const (
	Present  State = "present"
	Absent   State = "absent"
	NotKnown State = "not known"
)

// Predictor is one thing that makes a retrieval harder, with what the record says of it and what was published on it.
type Predictor struct {
	Name      string       `json:"name"` // a stable code
	State     State        `json:"state"`
	Text      string       `json:"text"`
	Day       *string      `json:"day"` // of the newest entry that tells it; null where there is none
	Published string       `json:"published"`
	Evidence  []filter.Ref `json:"evidence"`
	Source
}

func (c *proposal) predictors() []Predictor {
	p := func(name string, f finding, published string, s Source) Predictor {
		return Predictor{Name: name, State: f.state, Text: f.text, Day: dayOf(f.day), Published: published, Evidence: sorted(f.evidence), Source: s}
	}
	return []Predictor{
		p("dwell", c.dwell, "past 6 months: difficult retrieval OR 2.06; past 7 months: 40.9% of standard techniques failed (762 retrievals)", Source{monash + "; " + desai2017, policy.Seen}),
		p("tilt", c.tilt, "5 to 15 degrees: OR 2.38; above 15 degrees: OR 7.91; tilt at placement did not foretell it", Source{monash + "; " + white2021, policy.Seen}),
		p("hook-embedded", c.embedded, "OR 77.3 for advanced technique, in one conical design", Source{white2021, policy.Seen}),
		p("penetration", c.penetrated, "not significant beside the others in the one series that looked", Source{monash, policy.Seen}),
		p("fracture", c.fractured, "about 18 of 536 filters had broken before", Source{centre, policy.Seen}),
		p("thrombus", c.thrombus, "more than a quarter of the filter: put off, anticoagulate, image again", trade()),
		p("failed-attempt", c.failed, "the reason for advanced technique in 89.2% of 758 patients", Source{kethidi, policy.Seen}),
		p("closed-cell-design", c.closedCell, "laser needed in 60% against 7%, OR 20.1", Source{desaiCells, policy.Seen}),
		p("permanent-design", c.permanent, "advanced technique succeeded in 53 of 55; complications in 10 of 31 against 22 of 505 retrievable ones in one series", Source{kethidi + "; " + centre, policy.Seen}),
	}
}

// Name says what a code of a predictor, or of another reason for care, means.
func Name(code string) string {
	words := map[string]string{
		"dwell": "long dwell", "tilt": "tilt", "hook-embedded": "hook embedded", "penetration": "penetration", "fracture": "fracture", "thrombus": "thrombus in the filter",
		"failed-attempt": "failed attempt", "closed-cell-design": "closed-cell or symmetrical design", "permanent-design": "permanent design", "displacement": "displacement",
		"caval-occluded": "occluded cava", "part-left": "part left in", "caval-thrombosis": "thrombosis of the cava", "new-pe": "new pulmonary embolism", "infection": "infection",
		"haemorrhage": "haemorrhage", "filter-complaint": "complaint from the filter", "device-complication-unspecific": "unspecific complication of a device",
	}
	if w, ok := words[code]; ok {
		return w
	}
	return code
}

// names says what several codes mean.
func names(codes []string) string {
	var out []string
	for _, c := range codes {
		out = append(out, Name(c))
	}
	return strings.Join(out, ", ")
}

// dwellPast reports whether the filter has certainly been in for more than so many calendar months.
func (c *proposal) dwellPast(months int) finding {
	placed, out := c.Filter.Placed, c.Filter.Standing == filter.StandingPartly
	limit := filter.Span{Earliest: placed.Earliest.AddMonths(months), Latest: placed.Latest.AddMonths(months)}
	f := finding{state: NotKnown, day: placed, evidence: c.Filter.PlacementRefs, text: "The day of placement is not known well enough."}
	if !placed.Bounded() {
		f.evidence = nil
		return f
	}
	past := func(d filter.Day) bool {
		if out && c.Filter.Removed.Bounded() {
			return c.Filter.Removed.Earliest > d
		}
		return c.Clock.Reached(d.Add(1))
	}
	f.text = fmt.Sprintf("Placed %s; %d months end %s.", placed, months, limit)
	switch {
	case past(limit.Latest):
		f.state, f.text = Present, fmt.Sprintf("In for more than %d months, which ended %s: placed %s.", months, limit, placed)
	case !past(limit.Earliest):
		f.state = Absent
	}
	return f
}

// newest gives the newest measure of a sign that is of this filter as it lies now, else why none can be used.
func (c *proposal) newest(sign rules.Sign) (m rules.Measure, why string, ok bool) {
	for _, m := range c.Measures(sign) {
		switch {
		case !c.alone && len(m.Of) == 0:
			why = or(why, "Measured on "+m.When.String()+", but the entry does not say of which filter.")
		case slices.ContainsFunc(c.Filter.Events, func(e filter.Event) bool { return e.Kind == filter.Repositioning && e.When.Earliest > m.When.Latest }):
			why = or(why, "Measured on "+m.When.String()+", before the filter was repositioned.")
		default:
			return m, "", true
		}
	}
	return rules.Measure{}, why, false
}

func (c *proposal) tilts() (tilt, steep finding) {
	m, why, ok := c.newest(rules.Tilt)
	if !ok {
		f := finding{state: NotKnown, text: or(why, "No tilt is on record."), day: filter.Unknown()}
		return f, f
	}
	f := finding{day: m.When, evidence: m.Evidence}
	if c.Filter.Placed.Known() && m.When.Gap(c.Filter.Placed) <= c.Policy.SamePlacementDays {
		f.state, f.text = NotKnown, fmt.Sprintf("Tilt at placement %v degrees; it does not foretell the tilt at retrieval. None is on record since.", m.Value)
		return f, f
	}
	f.text = fmt.Sprintf("Tilt %v degrees on %s.", m.Value, m.When)
	tilt, steep = f, f
	tilt.state, steep.state = Absent, Absent
	if m.Value >= float64(c.Policy.TiltDegrees) {
		tilt.state = Present
	}
	if m.Value > float64(c.Policy.TiltSteepDegrees) {
		steep.state = Present
	}
	return tilt, steep
}

func (c *proposal) hook() finding {
	return c.yesNo(rules.HookEmbedded, "The hook is recorded as embedded", "The hook is recorded as free", "Where the hook lies is not on record.")
}

func (c *proposal) occlusion() finding {
	return c.yesNo(rules.CavaOccluded, "The cava is recorded as occluded", "The cava is recorded as open", "Whether the cava is open is not on record.")
}

func (c *proposal) yesNo(sign rules.Sign, yes, no, silent string) finding {
	m, why, ok := c.newest(sign)
	if sign == rules.CavaOccluded && !ok && why != "" {
		// The cava is one, whichever filter is in.
		m, ok = c.Measures(sign)[0], true
	}
	switch {
	case !ok:
		return finding{state: NotKnown, text: or(why, silent), day: filter.Unknown()}
	case m.Yes:
		return finding{Present, yes + " on " + m.When.String() + ".", m.When, m.Evidence}
	}
	return finding{Absent, no + " on " + m.When.String() + ".", m.When, m.Evidence}
}

// complicated gives a recorded complication; silence does not say that there is none.
func (c *proposal) complicated(rule, words string) finding {
	f := finding{state: NotKnown, text: "None is recorded; that does not exclude it.", day: filter.Unknown()}
	for _, x := range c.Complications {
		if x.Rule != rule {
			continue
		}
		if f.state != Present || x.When.Latest > f.day.Latest {
			f.day = x.When
		}
		f.state, f.evidence = Present, append(f.evidence, x.Evidence...)
	}
	if f.is() {
		f.text = words + ", " + f.day.String() + "."
	}
	return f
}

// penetration joins what is coded as a complication with the newest grade. Grades of different scales are never compared.
func (c *proposal) penetration() finding {
	f := c.complicated("penetration", "Penetration of the caval wall is recorded")
	m, why, ok := c.newest(rules.Grade)
	if !ok {
		if !f.is() && why != "" {
			f.text = why
		}
		return f
	}
	scale := "a scale that the entry does not name"
	if m.Scale != "" {
		scale = "the scale " + quote(m.Scale)
	}
	grade := fmt.Sprintf("Grade %v on %s, on %s.", m.Value, scale, m.When)
	f.evidence = append(slices.Clone(f.evidence), m.Evidence...)
	if f.is() {
		f.text += " " + grade
		return f
	}
	f.text, f.day, f.state = grade, m.When, Absent
	if m.Value > 0 {
		f.state = Present
	}
	return f
}

// clot gives whether thrombus lies in the filter, and whether so much that a removal is put off.
func (c *proposal) clot() (some, much finding) {
	coded := c.complicated("caval-thrombosis", "Thrombosis of the filter or the cava is recorded")
	m, why, ok := c.newest(rules.ThrombusShare)
	if !ok {
		if coded.is() {
			coded.text += " How much of the filter it fills is not on record."
			unknown := coded
			unknown.state = NotKnown
			return coded, unknown
		}
		f := finding{state: NotKnown, text: or(why, "Whether thrombus lies in the filter is not on record."), day: filter.Unknown()}
		return f, f
	}
	f := finding{Absent, fmt.Sprintf("Thrombus in %v%% of the filter on %s.", m.Value, m.When), m.When, m.Evidence}
	some, much = f, f
	if m.Value > 0 {
		some.state = Present
	}
	if m.Value > float64(c.Policy.ThrombusPercent) {
		much.state = Present
		much.text += fmt.Sprintf(" That is more than %d%%: put the removal off, anticoagulate, image again.", c.Policy.ThrombusPercent)
		some.text = much.text
	}
	if coded.is() && coded.day.Latest > m.When.Latest {
		// A clot told of later than the measure: how much there is now is not known.
		coded.text += " " + f.text
		coded.evidence = append(slices.Clone(coded.evidence), m.Evidence...)
		if !much.is() {
			much.state = NotKnown
		}
		return coded, much
	}
	return some, much
}

func (c *proposal) failure() finding {
	f := finding{state: NotKnown, text: "No attempt is in the data received; one made elsewhere would not be.", day: filter.Unknown()}
	for _, e := range c.Filter.Events {
		if e.Kind != filter.Attempt {
			continue
		}
		if !f.is() || e.When.Latest > f.day.Latest {
			f.day = e.When
		}
		f.state, f.evidence = Present, append(f.evidence, e.Evidence...)
	}
	if f.is() {
		f.text = "A retrieval was tried " + f.day.String() + " and the filter stayed in; which technique was used, and why it failed, must be asked."
	}
	return f
}

func (c *proposal) design() finding {
	f := finding{day: filter.Unknown(), evidence: c.deviceRefs()}
	switch c.Filter.Model.Design {
	case "double-basket":
		f.state, f.text = Present, "The catalogue gives a symmetrical double-basket design."
	case "conical":
		f.state, f.text = Absent, "The catalogue gives a conical design."
	default:
		f.state, f.text, f.evidence = NotKnown, "The design is not known.", nil
	}
	return f
}

func (c *proposal) intent() finding {
	f := finding{day: filter.Unknown(), evidence: c.deviceRefs()}
	switch c.Filter.Model.Intent {
	case "permanent":
		f.state, f.text = Present, "The catalogue gives a model labelled for permanent use."
	case "retrievable":
		f.state, f.text = Absent, "The catalogue gives a model labelled for retrieval."
	default:
		f.state, f.text, f.evidence = NotKnown, "The labelled use is not known.", nil
	}
	return f
}

// deviceRefs lists the entries that identify the model.
func (c *proposal) deviceRefs() []filter.Ref {
	var out []filter.Ref
	for _, d := range c.Filter.Devices {
		if d.Ref != "" {
			out = append(out, d.Ref)
		}
	}
	return out
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func quote(s string) string { return "\"" + s + "\"" }

// dayOf gives the last possible day of a span as text, nil where nothing bounds it.
func dayOf(s filter.Span) *string {
	if s.Latest >= filter.MaxDay || s.Latest <= filter.MinDay {
		return nil
	}
	text := s.Latest.String()
	return &text
}
