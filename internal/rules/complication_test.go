package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestAnEmergencyIsTheHeadline: whichever was recorded first, an emergency is named before what else is urgent.
func TestAnEmergencyIsTheHeadline(t *testing.T) {
	t.Parallel()
	asOf := day(t, "2026-03-01")
	when := on(t, "2026-02-20")
	complaint := func(class rules.Class, label string, words rules.Words) rules.Diagnosis {
		return rules.Diagnosis{Class: class, Label: label, Own: true, Acute: true, Onset: when, Recorded: when, Words: words, Evidence: []filter.Ref{"Condition/" + label}}
	}
	moved := complaint(rules.Displacement, "moved", rules.Words{})
	infected := complaint(rules.DeviceInfection, "infected", rules.Words{})
	fragment := complaint(rules.Fracture, "fragment", rules.Words{HeartOrLung: true})
	for _, list := range [][]rules.Diagnosis{{moved, infected, fragment}, {fragment, moved, infected}, {moved, fragment, infected}} {
		j := judge(placedFilter(on(t, "2025-12-01")), rules.Facts{Diagnoses: list}, asOf)
		if j.Verdict != rules.Urgent || !j.Emergency || j.Headline != "Fracture of the filter with a fragment missing or travelled is recorded. (fragment)" {
			t.Errorf("%s, emergency %t: %s", j.Verdict, j.Emergency, j.Headline)
		}
	}
	// Without one, what was recorded first stays first.
	j := judge(placedFilter(on(t, "2025-12-01")), rules.Facts{Diagnoses: []rules.Diagnosis{infected, moved}}, asOf)
	if j.Emergency || j.Headline != "Infection of the filter is recorded. (infected)" {
		t.Errorf("emergency %t: %s", j.Emergency, j.Headline)
	}
}
