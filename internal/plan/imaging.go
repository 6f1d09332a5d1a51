package plan

import (
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// Study is an examination on record.
type Study struct {
	Modality string       `json:"modality"` // ct-abdomen | duplex | cavogram
	Day      string       `json:"day"`
	Place    string       `json:"place"` // "" where the record does not say
	Evidence []filter.Ref `json:"evidence"`
}

// Advice is one examination with whether it is worth making before or at the removal.
type Advice struct {
	Examination string   `json:"examination"`
	Need        string   `json:"need"` // recommended | not routinely needed
	Text        string   `json:"text"`
	Because     []string `json:"because"` // predictors, sorted
	Source
}

// Imaging is what was made and what is worth making.
type Imaging struct {
	OnRecord []Study  `json:"onRecord"`
	Advice   []Advice `json:"advice"`
}

const (
	recommended = "recommended"
	notRoutine  = "not routinely needed"
)

func (c *proposal) imaging() Imaging {
	out := Imaging{OnRecord: []Study{}}
	for _, s := range c.Studies() {
		// A report and its pictures tell of one examination.
		if n := len(out.OnRecord); n > 0 && out.OnRecord[n-1].Modality == s.Modality && out.OnRecord[n-1].Day == s.When.String() {
			last := &out.OnRecord[n-1]
			last.Place, last.Evidence = or(last.Place, s.Place), sorted(append(last.Evidence, s.Evidence...))
			continue
		}
		out.OnRecord = append(out.OnRecord, Study{s.Modality, s.When.String(), s.Place, sorted(s.Evidence)})
	}
	out.Advice = []Advice{
		{"cavogram at the removal", recommended, "In a front view and two obliques, or rotational: they tell a tip at the wall from one that only seems to lie there, and show thrombus; a tilt to the front hides in the front view.", []string{},
			Source{acr + ": venography at the removal; the projections are trade knowledge", policy.SecondHand}},
		c.scan,
	}
	add := func(is bool, what, text string, because []string, s Source) {
		if is {
			out.Advice = append(out.Advice, Advice{what, recommended, text, because, s})
		}
	}
	add(c.fractured.is(), "plain films of the abdomen, front and side", "To count the struts.", []string{"fracture"}, trade())
	add(c.severely("fracture") || c.severely("displacement"), "echocardiogram and computed tomography of the chest", "To find what has travelled.", c.travelled(), trade())
	add(c.defers.is(), "computed tomography or cavogram after anticoagulation", "Thrombus fills more of the filter than the limit: image again before an attempt.", []string{"thrombus"}, trade())
	add(c.amountOpen(), "cavogram or computed tomography of the filter", "To see how much thrombus lies in it: above the limit the removal is put off.", []string{"thrombus"}, trade())
	return out
}

// severely reports whether a complication of a kind is on record that is urgent by what it is, however old, and though the record calls
// it over: organ contact, a part that is missing or has travelled, a displacement.
func (c *proposal) severely(rule string) bool {
	is := func(x rules.Complication) bool { return x.Rule == rule && x.Severe }
	return slices.ContainsFunc(c.Complications, is) || rule != "displacement" && slices.ContainsFunc(c.Over(), is)
}

func (c *proposal) travelled() []string {
	out := []string{}
	for _, rule := range []string{"displacement", "fracture"} {
		if c.severely(rule) {
			out = append(out, rule)
		}
	}
	return out
}

// tomography says whether imaging of the filter is worth making beforehand: as a rule not, in selected situations yes. Which these
// are is from memory and by choice, not from the guideline's text.
func (c *proposal) tomography() Advice {
	a := Advice{Examination: "computed tomography of the abdomen in a venous phase", Because: []string{}}
	for _, x := range [...]struct {
		name string
		is   bool
	}{{"dwell", c.dwell.is()}, {"tilt", c.tilt.is()}, {"hook-embedded", c.embedded.is()}, {"penetration", c.penetrated.is()}, {"fracture", c.fractured.is()}, {"thrombus", c.thrombus.is()},
		{"failed-attempt", c.failed.is()}, {"closed-cell-design", c.closedCell.is()}, {"permanent-design", c.permanent.is()}, {"caval-occluded", c.occluded.is()}} {
		if x.is {
			a.Because = append(a.Because, x.name)
		}
	}
	open, _ := c.open()
	a.Because = append(a.Because, open...)
	for _, x := range c.Complications {
		if x.Symptom || x.Severe && x.Rule != "device-complication-unspecific" {
			a.Because = append(a.Because, x.Rule)
		}
	}
	slices.Sort(a.Because)
	a.Because = slices.Compact(a.Because)
	a.Need, a.Text, a.Source = notRoutine, "Nothing on record asks for it before the cavogram.", Source{sir2020 + ": against routine imaging before a planned removal", policy.SecondHand}
	if len(a.Because) > 0 {
		a.Need, a.Text = recommended, "Before the removal is planned ("+names(a.Because)+")."
		a.Source = Source{sir2020 + ": imaging in selected situations; which they are is from memory", policy.Memory}
		for _, s := range c.Studies() {
			if s.Modality == "ct-abdomen" {
				a.Text += " One of " + s.When.String() + " is on record; whether it is recent enough is for the operator."
				break
			}
		}
	}
	return a
}
