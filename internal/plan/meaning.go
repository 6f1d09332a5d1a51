package plan

import (
	"slices"

	"dwellwatch/internal/filter"
)

// Meaning gives a plan as far as it decides whether a document must be made anew: without measured values and estimates whose judgement
// stays what it was, because a ward measures every day. What a value is judged to be, which hold is published for it, and whether there
// is one at all, stay in; a value that changes one of these changes the meaning. A haemoglobin has no published limit, so none does.
//
// measured reports an entry of a measured value: such entries go out of the evidence of what is said beside.
func Meaning(p *Plan, measured func(filter.Ref) bool) *Plan {
	if p == nil {
		return nil
	}
	m := *p
	m.Laboratory.Tests = slices.Clone(p.Laboratory.Tests)
	for i := range m.Laboratory.Tests {
		t := &m.Laboratory.Tests[i]
		t.Value, t.Day, t.Text, t.Evidence = nil, nil, "", nil
		if t.Pass == nil {
			t.Result = ""
		}
	}
	if p.Laboratory.Contrast != nil {
		m.Laboratory.Contrast = &Contrast{Risk: p.Laboratory.Contrast.Risk}
	}
	m.Anticoagulation.Holds = slices.Clone(p.Anticoagulation.Holds)
	for i := range m.Anticoagulation.Holds {
		h := &m.Anticoagulation.Holds[i]
		h.Clearance, h.Text, h.Evidence = nil, "", nil
	}
	without := func(refs []filter.Ref) []filter.Ref {
		if !slices.ContainsFunc(refs, measured) {
			return refs
		}
		return slices.DeleteFunc(slices.Clone(refs), measured)
	}
	m.Notes = slices.Clone(p.Notes)
	for i := range m.Notes {
		m.Notes[i].Evidence = without(m.Notes[i].Evidence)
	}
	for _, s := range []*Statement{&m.Approach.Statement, &m.Laboratory.Statement, &m.Anticoagulation.Default, &m.Anticoagulation.RedText} {
		s.Evidence = without(s.Evidence)
	}
	if at := slices.IndexFunc(p.Asks, func(a Ask) bool { return a.What == askHaemoglobin }); at >= 0 {
		m.Asks = slices.Concat(p.Asks[:at], p.Asks[at+1:])
	}
	return &m
}

// Evidence shows the entries that each statement of a plan stands on.
func Evidence(p *Plan, show func([]filter.Ref)) {
	if p == nil {
		return
	}
	for _, s := range [][]Statement{p.Notes, p.Afterwards, p.Disagreements, {p.Approach.Statement, p.Laboratory.Statement, p.Anticoagulation.Default, p.Anticoagulation.RedText}} {
		for _, x := range s {
			show(x.Evidence)
		}
	}
	for _, x := range p.Predictors {
		show(x.Evidence)
	}
	for _, x := range p.Routes {
		show(x.Evidence)
	}
	for _, x := range p.Imaging.OnRecord {
		show(x.Evidence)
	}
	for _, x := range p.Laboratory.Tests {
		show(x.Evidence)
	}
	if p.Laboratory.Contrast != nil {
		show(p.Laboratory.Contrast.Evidence)
	}
	for _, x := range p.Anticoagulation.Holds {
		show(x.Evidence)
	}
}
