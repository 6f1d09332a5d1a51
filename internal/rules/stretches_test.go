package rules_test

import (
	"testing"

	"dwellwatch/internal/rules"
)

// TestStretchesBeginWithTheCover: warfarin of 2024-04-01 with its first INR in range on 2024-04-20 is a treatment from that day on, as the
// answer says, and of no clear level before.
func TestStretchesBeginWithTheCover(t *testing.T) {
	t.Parallel()
	facts := rules.Facts{Courses: []rules.Course{outpatient("warfarin", 5, 1, on(t, "2024-04-01"))}, Labs: []rules.Lab{measured("inr", 1.3, on(t, "2024-04-08")), measured("inr", 2.4, on(t, "2024-04-20")), measured("inr", 2.5, on(t, "2024-05-20"))}}
	s := judge(placedFilter(on(t, "2024-03-01")), facts, day(t, "2024-06-01")).Situation
	got := s.Stretches()
	if len(got) != 2 || got[0].Level != rules.Indeterminate || got[0].Start != on(t, "2024-04-01") || got[0].End != on(t, "2024-04-19") || got[0].Runs {
		t.Fatalf("%+v", got)
	}
	if got[1].Level != rules.Therapeutic || got[1].Start != s.Anticoagulation.Since || got[1].Start != on(t, "2024-04-20") || !got[1].Runs {
		t.Errorf("%+v, since %v", got[1], s.Anticoagulation.Since)
	}
}
