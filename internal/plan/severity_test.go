package plan_test

import (
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// TestTroubleDoesNotAge: organ contact, by a code or by a grade of 3, and a missing fragment make a removal complex however old the entry
// is, and though the record calls it over; only urgency ages. Placed on 2025-01-10, entered on 2025-02-10, asked on 2025-06-20.
func TestTroubleDoesNotAge(t *testing.T) {
	t.Parallel()
	base := func() patient { return placedOn(t, "2025-01-10").takes(t, "apixaban", 5, 2, "2025-01-20") }
	coded := func(class rules.Class, words rules.Words, inactive bool) patient {
		p := base().diagnosed(t, class, words, "2025-02-10")
		p.facts.Diagnoses[len(p.facts.Diagnoses)-1].Inactive = inactive
		return p
	}
	grade := func(m rules.Measure) patient {
		m.Sign = rules.Grade
		return base().measure(t, m, "2025-02-10")
	}
	for name, c := range map[string]struct {
		p       patient
		complex bool
		why     string
		advised string // an examination that is advised for it
	}{
		"organ contact":              {coded(rules.Penetration, rules.Words{Organ: true}, false), true, "penetration", "computed tomography of the abdomen"},
		"organ contact, called over": {coded(rules.Penetration, rules.Words{Organ: true}, true), true, "penetration", ""},
		"penetration without it":     {coded(rules.Penetration, rules.Words{}, false), false, "", "computed tomography of the abdomen"},
		"grade 3":                    {grade(rules.Measure{Value: 3, Scale: "A"}), true, "penetration", "computed tomography of the abdomen"},
		"grade 3, no scale":          {grade(rules.Measure{Value: 3}), true, "penetration", ""},
		"grade 3 at least":           {grade(rules.Measure{Value: 3, Form: rules.AtLeast}), true, "penetration", ""},
		"grade 2":                    {grade(rules.Measure{Value: 2, Scale: "A"}), false, "", ""},
		"fragment missing":           {coded(rules.Fracture, rules.Words{Missing: true}, false), true, "fracture", "echocardiogram and computed tomography of the chest"},
		"fragment missing, over":     {coded(rules.Fracture, rules.Words{Missing: true}, true), true, "fracture", "echocardiogram and computed tomography of the chest"},
		"fracture, called over":      {coded(rules.Fracture, rules.Words{}, true), true, "fracture", "plain films of the abdomen"},
	} {
		got := c.p.propose(t, "2025-06-20")
		var why []string
		for _, r := range got.Approach.Why {
			why = append(why, r.Predictor)
		}
		if got.Approach.Complex != c.complex || got.Laboratory.Needed != c.complex || strings.Join(why, " ") != c.why {
			t.Errorf("%s: complex %v, tests %v, why %v", name, got.Approach.Complex, got.Laboratory.Needed, why)
		}
		if c.advised != "" && !slices.ContainsFunc(got.Imaging.Advice, func(a plan.Advice) bool {
			return strings.HasPrefix(a.Examination, c.advised) && a.Need == "recommended"
		}) {
			t.Errorf("%s: %s is not advised", name, c.advised)
		}
		if c.why == "fracture" {
			f := predictor(t, got, "fracture")
			asked := slices.ContainsFunc(got.Asks, func(a plan.Ask) bool { return a.What == "fragment" })
			followed := slices.ContainsFunc(got.Afterwards, func(s plan.Statement) bool { return strings.HasPrefix(s.Text, "A fragment that stays") })
			if f.State != plan.Present || !slices.Contains(f.Evidence, "Condition/fracture") || !asked || !followed {
				t.Errorf("%s: %+v, asked %v, followed %v", name, f, asked, followed)
			}
		}
	}
	over := predictor(t, coded(rules.Penetration, rules.Words{}, true).propose(t, "2025-06-20"), "penetration")
	if over.State != plan.NotKnown || !strings.Contains(over.Text, "the record calls it over") || len(over.Evidence) == 0 {
		t.Errorf("a penetration called over: %+v", over)
	}
	clot := predictor(t, coded(rules.DeviceThrombosis, rules.Words{}, true).propose(t, "2025-06-20"), "thrombus")
	if clot.State != plan.NotKnown || !strings.Contains(clot.Text, "the record calls it over") || strings.Contains(clot.Text, "not on record") {
		t.Errorf("a clot called over: %+v", clot)
	}
}

// TestThrombosisAndNoThrombusOfOneDay: of one day the one that asks for more care counts, and the disagreement is told; a measure of a
// later day counts as before.
func TestThrombosisAndNoThrombusOfOneDay(t *testing.T) {
	t.Parallel()
	with := func(percent float64, day string) *plan.Plan {
		return quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10").diagnosed(t, rules.DeviceThrombosis, rules.Words{}, "2026-02-10").
			measure(t, rules.Measure{Sign: rules.ThrombusShare, Value: percent}, day).propose(t, "2026-03-05")
	}
	for name, c := range map[string]struct {
		percent  float64
		day      string
		state    plan.State
		first    string
		disagree bool
	}{
		"0 percent, same day":  {0, "2026-02-10", plan.Present, "image", true},
		"10 percent, same day": {10, "2026-02-10", plan.Present, "standard", false},
		"40 percent, same day": {40, "2026-02-10", plan.Present, "defer", false},
		"0 percent, a day on":  {0, "2026-02-11", plan.Absent, "standard", false},
		"0 percent, before":    {0, "2026-02-09", plan.Present, "image", false},
	} {
		got := with(c.percent, c.day)
		x := predictor(t, got, "thrombus")
		if x.State != c.state || got.Approach.First != c.first || (len(got.Disagreements) == 1) != c.disagree || strings.Contains(x.Text, "disagree") != c.disagree {
			t.Errorf("%s: %s, %s, %q, %v", name, x.State, got.Approach.First, x.Text, got.Disagreements)
		}
	}
}

// TestThromboembolismWithoutADay: it may be acute, so that it is told, asked about by its entry, and said beside every hold.
func TestThromboembolismWithoutADay(t *testing.T) {
	t.Parallel()
	p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10")
	p.facts.Diagnoses = append(p.facts.Diagnoses, rules.Diagnosis{Class: rules.PE, Label: "code", Acute: true, Onset: filter.Unknown(), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/when"}})
	for name, c := range map[string]struct {
		p    patient
		told bool
	}{"one without a day": {p, true}, "none": {quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10"), false}} {
		got := c.p.propose(t, "2026-03-05")
		asked := slices.ContainsFunc(got.Asks, func(a plan.Ask) bool { return a.What == "vte-day" && strings.Contains(a.Text, "Condition/when") })
		noted := slices.ContainsFunc(got.Notes, func(s plan.Statement) bool { return slices.Contains(s.Evidence, "Condition/when") })
		line := strings.Contains(got.Anticoagulation.RedText.Text, "of this no day is on record: pulmonary embolism")
		held := strings.Contains(got.Anticoagulation.Holds[0].Text, "on record without a day")
		if asked != c.told || noted != c.told || line != c.told || held != c.told || got.Anticoagulation.Red {
			t.Errorf("%s: asked %v, noted %v, line %q, hold %q", name, asked, noted, got.Anticoagulation.RedText.Text, got.Anticoagulation.Holds[0].Text)
		}
	}
}
