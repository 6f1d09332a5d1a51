package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestValuesToldByALimit: a limit counts only where it settles on which side of ours the value lies; else the level, or the end of a
// contraindication, is left open.
func TestValuesToldByALimit(t *testing.T) {
	t.Parallel()
	start, asOf := on(t, "2024-03-01"), day(t, "2024-06-01")
	limit := func(what string, value float64, form rules.Form) rules.Lab {
		l := measured(what, value, on(t, "2024-05-31"))
		l.Form = form
		return l
	}
	for name, c := range map[string]struct {
		value float64
		form  rules.Form
		want  rules.Level
	}{
		"INR 2.5": {2.5, rules.Exactly, rules.Therapeutic}, "INR > 3.0": {3, rules.Above, rules.Indeterminate}, "INR > 2.0": {2, rules.Above, rules.Indeterminate},
		"INR < 3.0": {3, rules.Below, rules.Indeterminate}, "INR < 2.0": {2, rules.Below, rules.Indeterminate},
	} {
		facts := rules.Facts{Courses: []rules.Course{outpatient("warfarin", 5, 1, start)}, Labs: []rules.Lab{limit("inr", c.value, c.form)}}
		if got := judge(placedFilter(start), facts, asOf).Situation.Anticoagulation.Level; got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	// A weight that is a limit grades no dose by weight.
	facts := rules.Facts{Courses: []rules.Course{outpatient("enoxaparin", 80, 2, start)}, Labs: []rules.Lab{limit("weight", 80, rules.Below)}}
	if got := judge(placedFilter(start), facts, asOf).Situation.Anticoagulation.Level; got != rules.Indeterminate {
		t.Errorf("a weight below 80: %s", got)
	}
	low := rules.Diagnosis{Class: rules.Thrombocytopenia, Label: "code", Acute: true, Onset: on(t, "2024-05-01"), Recorded: on(t, "2024-05-01"), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/low"}}
	vte := rules.Diagnosis{Class: rules.DVT, Label: "code", Acute: true, Onset: on(t, "2024-05-20"), Recorded: on(t, "2024-05-20"), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/vte"}}
	for name, c := range map[string]struct {
		value  float64
		form   rules.Form
		active bool
	}{
		"platelets 49": {49, rules.Exactly, true}, "platelets 50": {50, rules.Exactly, false}, "platelets < 50": {50, rules.Below, true}, "platelets < 100": {100, rules.Below, false}, "platelets > 20": {20, rules.Above, false},
	} {
		facts := rules.Facts{Diagnoses: []rules.Diagnosis{low, vte}, Labs: []rules.Lab{limit("platelets", c.value, c.form)}}
		s := judge(placedFilter(on(t, "2024-05-25")), facts, asOf).Situation
		if active := s.Indication.Status == rules.StillIndicated; active != c.active {
			t.Errorf("%s: %s, %q", name, s.Indication.Status, s.Indication.Text)
		}
	}
}
