package plan_test

import (
	"encoding/json"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// TestMeaningHoldsWhileValuesAreJudgedTheSame: a value makes a new meaning only where what follows from it differs. The patient has had
// an attempt, so that tests are wanted; INR 1.6 is for the operator, 1.9 to be corrected; a clearance of 55.9 and of 52.6 gives four doses,
// of 49.7 six.
func TestMeaningHoldsWhileValuesAreJudgedTheSame(t *testing.T) {
	t.Parallel()
	body := func(p patient) string {
		p.facts.Body = rules.Body{Born: on(t, "1958-02-01"), Sex: "male"}
		text, err := json.Marshal(plan.Meaning(p.propose(t, "2026-03-05"), func(filter.Ref) bool { return false }))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	base := func() patient { return quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").tried(t, "2026-01-20") }
	full := func() patient {
		return base().lab(t, "inr", 1.6, "2026-02-20").lab(t, "creatinine", 1.7, "2026-02-20").lab(t, "weight", 95, "2026-02-20")
	}
	want := body(full())
	for name, c := range map[string]struct {
		p    patient
		same bool
	}{
		"a haemoglobin":                 {full().lab(t, "haemoglobin", 12.9, "2026-02-27"), true},
		"another INR, judged the same":  {full().lab(t, "inr", 1.7, "2026-02-27"), true},
		"another INR, judged otherwise": {full().lab(t, "inr", 1.9, "2026-02-27"), false},
		"a first platelet count":        {full().lab(t, "platelets", 200, "2026-02-27"), false},
		"a weight in the same band":     {full().lab(t, "weight", 90, "2026-02-27"), true},
		"a weight in another band":      {full().lab(t, "weight", 84, "2026-02-27"), false},
		"a tilt":                        {full().measure(t, rules.Measure{Sign: rules.Tilt, Value: 3}, "2026-02-27"), false},
	} {
		if got := body(c.p); (got == want) != c.same {
			t.Errorf("%s: the same meaning %v, want %v", name, got == want, c.same)
		}
	}
	if plan.Meaning(nil, nil) != nil {
		t.Error("no plan has a meaning")
	}
}
