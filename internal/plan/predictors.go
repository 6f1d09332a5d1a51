package plan

import (
	"fmt"
	"slices"
	"strconv"
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
	switch code {
	case "dwell":
		return "long dwell"
	case "hook-embedded":
		return "hook embedded"
	case "thrombus":
		return "thrombus in the filter"
	case "failed-attempt":
		return "failed attempt"
	case "closed-cell-design":
		return "closed-cell or symmetrical design"
	case "permanent-design":
		return "permanent design"
	case "caval-occluded":
		return "occluded cava"
	case "part-left":
		return "part left in"
	case "caval-thrombosis":
		return "thrombosis of the cava"
	case "new-pe":
		return "new pulmonary embolism"
	case "filter-complaint":
		return "complaint from the filter"
	case "device-complication-unspecific":
		return "unspecific complication of a device"
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
	placed, out := c.Filter.Placed, c.Filter.Standing == filter.StandingPartly || c.Filter.Standing == filter.StandingRemoved
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
	switch {
	case past(limit.Latest):
		f.state, f.text = Present, "In for more than "+strconv.Itoa(months)+" months, which ended "+limit.String()+": placed "+placed.String()+"."
		return f
	case !past(limit.Earliest):
		f.state = Absent
	}
	f.text = "Placed " + placed.String() + "; " + strconv.Itoa(months) + " months end " + limit.String() + "."
	return f
}

func (c *proposal) tilts() (tilt, steep finding) {
	h := c.hear(rules.Tilt)
	m := h.m
	if !h.ok {
		f := h.doubted(h.unheard("No tilt is on record."))
		return f, f
	}
	f := finding{state: NotKnown, day: m.When, evidence: m.Evidence}
	told := func(m rules.Measure) string { return "tilt " + m.Told() + " degrees" }
	if c.Filter.Placed.Known() && m.When.Gap(c.Filter.Placed) <= c.Policy.SamePlacementDays {
		f.text = fmt.Sprintf("Tilt at placement %s degrees; it does not foretell the tilt at retrieval. None is on record since.", m.Told())
		f = h.doubted(f)
		return f, f
	}
	f.text = fmt.Sprintf("Tilt %s degrees on %s.", m.Told(), m.When)
	leans := func(m rules.Measure) State { return above(m, float64(c.Policy.TiltDegrees), true) }
	steeply := func(m rules.Measure) State { return above(m, float64(c.Policy.TiltSteepDegrees), false) }
	f = h.disputed(f, func(m rules.Measure) (string, string) { return told(m), string(leans(m)) + string(steeply(m)) })
	tilt, steep = f, f
	tilt.state, steep.state = leans(m), steeply(m)
	tilt, steep = h.doubted(tilt), h.doubted(steep)
	tilt.doubt = tilt.doubt || steep.state == NotKnown
	return tilt, steep
}

// above reports whether the number of a measure lies above a limit, or with it on it: it is not known where it may and may not.
func above(m rules.Measure, limit float64, with bool) State {
	low, high := m.Bounds()
	switch {
	case low > limit, with && low == limit:
		return Present
	case high < limit, !with && high == limit:
		return Absent
	}
	return NotKnown
}

func (c *proposal) hook() finding {
	return c.yesNo(rules.HookEmbedded, "The hook is recorded as embedded", "The hook is recorded as free", "Where the hook lies is not on record.")
}

func (c *proposal) occlusion() finding {
	return c.yesNo(rules.CavaOccluded, "The cava is recorded as occluded", "The cava is recorded as open", "Whether the cava is open is not on record.")
}

func (c *proposal) yesNo(sign rules.Sign, yes, no, silent string) finding {
	h := c.hear(sign)
	if !h.ok {
		return h.doubted(h.unheard(silent))
	}
	f := finding{state: Absent, text: no + " on " + h.m.When.String() + ".", day: h.m.When, evidence: h.m.Evidence}
	if h.m.Yes {
		f.state, f.text = Present, yes+" on "+h.m.When.String()+"."
	}
	return h.doubted(h.disputed(f, func(m rules.Measure) (string, string) {
		if m.Yes {
			return Name(string(sign)), "yes"
		}
		return Name(string(sign)) + " denied", "no"
	}))
}

// complicated gives a recorded complication; silence does not say that there is none, nor does an entry that calls it over. A fracture
// that is called over is one.
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
		return f
	}
	for _, x := range c.Over() {
		if x.Rule != rule {
			continue
		}
		if len(f.evidence) == 0 || x.When.Latest > f.day.Latest {
			f.day = x.When
		}
		f.evidence = append(f.evidence, x.Evidence...)
	}
	if len(f.evidence) > 0 {
		f.text = words + ", " + f.day.String() + "; the record calls it over."
		if rule == "fracture" {
			f.state, f.text = Present, f.text+" What is broken stays broken: look where the parts lie."
		}
	}
	return f
}

// organContact is the grade from which on a strut touches an organ, on both scales from 0 to 3 that are in use (from memory). On a scale
// that the entry does not name it is taken for the same, which is the careful reading.
const organContact = 3

// penetration joins what is coded as a complication with the newest grade. Grades of different scales are never compared.
func (c *proposal) penetration() finding {
	f := c.complicated("penetration", "Penetration of the caval wall is recorded")
	h := c.hear(rules.Grade)
	m := h.m
	if !h.ok {
		if !f.is() && len(h.doubts) > 0 {
			f.text = ""
		} else if !f.is() {
			f.text = or(h.why, f.text)
		}
		return h.doubted(f)
	}
	told := func(m rules.Measure) string {
		scale := "a scale that the entry does not name"
		if m.Scale != "" {
			scale = "the scale " + quote(m.Scale)
		}
		return fmt.Sprintf("grade %s on %s", m.Told(), scale)
	}
	grade := "G" + told(m)[1:] + ", on " + m.When.String() + "."
	f.evidence = append(slices.Clone(f.evidence), m.Evidence...)
	if f.is() {
		f.text += " " + grade
	} else {
		f.text, f.day, f.state = grade, m.When, above(m, 0, false)
	}
	if low, _ := m.Bounds(); low >= organContact {
		f.contact = true
		f.text += fmt.Sprintf(" On the scales from 0 to 3 that are in use, %d is contact with an organ.", organContact)
	}
	return h.doubted(h.disputed(f, func(m rules.Measure) (string, string) {
		low, _ := m.Bounds()
		return told(m), string(above(m, 0, false)) + fmt.Sprint(low >= organContact)
	}))
}

// clot gives whether thrombus lies in the filter, and whether so much that a removal is put off.
func (c *proposal) clot() (some, much finding) {
	coded := c.complicated("caval-thrombosis", "Thrombosis of the filter or the cava is recorded")
	h := c.hear(rules.ThrombusShare)
	m := h.m
	if !h.ok {
		f := h.doubted(h.unheard("Whether thrombus lies in the filter is not on record."))
		if !coded.is() && len(coded.evidence) > 0 && f.state == NotKnown {
			f.text, f.day, f.evidence = strings.TrimSpace(coded.text+" "+strings.TrimPrefix(f.text, "Whether thrombus lies in the filter is not on record.")), coded.day, append(slices.Clone(coded.evidence), f.evidence...)
		}
		if coded.is() {
			coded.text += " How much of the filter it fills is not on record."
			if f.doubt {
				coded.text = strings.TrimSuffix(coded.text, "not on record.") + "not known. " + f.text
			}
			coded.evidence, coded.doubt = append(slices.Clone(coded.evidence), f.evidence...), f.doubt
			unknown := coded
			unknown.state = NotKnown
			return coded, unknown
		}
		return f, f
	}
	limit := float64(c.Policy.ThrombusPercent)
	told := func(m rules.Measure) string {
		if m.Form == rules.Some {
			return "thrombus in the filter, of an amount that is not told"
		}
		return "thrombus in " + m.Told() + "% of the filter"
	}
	f := finding{state: above(m, 0, false), text: "T" + told(m)[1:] + " on " + m.When.String() + ".", day: m.When, evidence: m.Evidence}
	if m.Form == rules.Some {
		f.text = "Thrombus in the filter on " + m.When.String() + "; how much is not told."
	}
	f = h.disputed(f, func(m rules.Measure) (string, string) {
		return told(m), string(above(m, 0, false)) + string(above(m, limit, false))
	})
	some, much = f, f
	much.state = above(m, limit, false)
	if much.is() {
		much.text += fmt.Sprintf(" That is more than %d%%: put the removal off, anticoagulate, image again.", c.Policy.ThrombusPercent)
		some.text = much.text
	}
	some, much = h.doubted(some), h.doubted(much)
	sameDay := coded.day.Latest == m.When.Latest && !some.is()
	if coded.is() && (coded.day.Latest > m.When.Latest || sameDay) {
		// A clot told of later than the measure, or on the same day against it: how much there is now is not known.
		coded.text += " " + f.text
		if sameDay {
			coded.disputedBy = append(slices.Clone(coded.evidence), m.Evidence...)
			coded.dispute = "Entries of " + m.When.String() + " disagree: thrombosis of the filter or the cava, " + told(m) + ". The one that asks for more care counts."
			coded.text += " " + coded.dispute
		}
		coded.evidence, coded.doubt = append(slices.Clone(coded.evidence), some.evidence...), some.doubt
		if !much.is() {
			much.state = NotKnown
		}
		return coded, much
	}
	return some, much
}

func (c *proposal) failure() finding {
	f := finding{state: NotKnown, text: "No attempt is in the data received; one made elsewhere would not be.", day: filter.Unknown()}
	for _, e := range c.attempts() {
		if !f.is() || e.When.Latest > f.day.Latest {
			f.day = e.When
		}
		f.state, f.evidence = Present, append(f.evidence, e.Evidence...)
	}
	switch n := len(c.attempts()); {
	case n == 1:
		f.text = "A retrieval was tried " + f.day.String() + " and the filter stayed in; which technique was used, and why it failed, must be asked."
	case n > 1:
		f.text = fmt.Sprintf("A retrieval was tried %d times, last %s, and the filter stayed in; which techniques were used, and why each failed, must be asked.", n, f.day)
	}
	return f
}

// attempts lists the attempts that left the filter in.
func (c *proposal) attempts() []filter.Event {
	return slices.DeleteFunc(slices.Clone(c.Filter.Events), func(e filter.Event) bool { return e.Kind != filter.Attempt })
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
