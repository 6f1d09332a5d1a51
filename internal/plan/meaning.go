package plan

import "slices"

// Meaning gives a plan as far as it decides whether a document must be made anew: without measured values and estimates whose judgement
// stays what it was, because a ward measures every day. What a value is judged to be, which hold is published for it, and whether there
// is one at all, stay in; a value that changes one of these changes the meaning. A haemoglobin has no published limit, so none does.
func Meaning(p *Plan) *Plan {
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
	m.Asks = slices.DeleteFunc(slices.Clone(p.Asks), func(a Ask) bool { return a.What == askHaemoglobin })
	return &m
}
