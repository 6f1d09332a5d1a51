package draft_test

import (
	"testing"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// shippedPace is the pace of the policy that ships.
func shippedPace() draft.Pace {
	p := policy.Default()
	return draft.Pace{UnansweredDays: p.UnansweredDays, EscalatedDueDays: p.DueOverdue, EndedDays: p.EndedDays, DeclinedDays: p.DeclinedDays}
}

// TestPaceOfThePolicy: a draft that nobody took up is raised on the 8th day past its due day; what people completed is asked again
// after 30 days, what they rejected after 90. The day before, nothing happens, and Wake foretells the day.
func TestPaceOfThePolicy(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	open := draft.Referral{Key: "k", Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day - 28, DueOn: day, Meaning: "m", Question: "q"}
	ended := open
	ended.EndedOn = day
	want := draft.Want{Key: "k", To: draft.ToClinic, Priority: "routine", DueDays: 28, Meaning: "m", Question: "q"}
	for _, c := range []struct {
		name, task string
		before     draft.Referral
		days       int // until something happens
	}{
		{"unanswered", "draft", open, 8},
		{"completed", "completed", ended, 30},
		{"failed", "failed", ended, 30},
		{"rejected", "rejected", ended, 90},
		{"cancelled", "cancelled", ended, 90},
	} {
		tasks := map[string]draft.Seen{"k": {Status: c.task, Priority: "routine"}}
		for off := -1; off <= 1; off++ {
			after, changed := draft.Reconcile([]draft.Referral{c.before}, []draft.Want{want}, tasks, shippedPace(), day.Add(c.days+off))
			if happened := len(changed) > 0; happened != (off >= 0) {
				t.Errorf("%s, day %d%+d: changed %v: %+v", c.name, c.days, off, changed, after)
			}
		}
		if wake := draft.Wake([]draft.Referral{c.before}, tasks, shippedPace(), day); wake != day.Add(c.days) {
			t.Errorf("%s: foretold for day %d, want %d", c.name, wake-day, c.days)
		}
	}
}

// TestUrgentIsNotPutOff: a decision to wait with what is urgent is refused, because the next assessment would undo it; it can be
// approved, and what is less urgent can be put off.
func TestUrgentIsNotPutOff(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	for priority, good := range map[string]bool{"routine": true, "asap": true, "urgent": false, "stat": false} {
		r := draft.Referral{Key: "k", Round: 1, Revision: 1, To: draft.ToClinic, Priority: priority, Opened: priority, OpenedOn: day, DueOn: day + 3, Meaning: "m", Question: "q"}
		for _, kind := range []draft.ActKind{draft.Decline, draft.Snooze} {
			after, err := draft.Decide(r, draft.Act{Kind: kind, By: "Dr A", Why: "frail", Until: day + 20}, false, day)
			if (err == nil) != good {
				t.Errorf("%s of %s: %v", kind, priority, err)
			}
			if err != nil && err.Error() != "kind: an urgent referral is not put off here" {
				t.Errorf("%s of %s: %v", kind, priority, err)
			}
			if err != nil {
				continue
			}
			// What is allowed holds.
			want := draft.Want{Key: "k", To: draft.ToClinic, Priority: priority, DueDays: 3, Meaning: "m", Question: "q"}
			next, _ := draft.Reconcile([]draft.Referral{after}, []draft.Want{want}, map[string]draft.Seen{"k": {Status: "draft", Priority: priority}}, shippedPace(), day)
			if next[0].Round != 1 || next[0].Until != day+20 {
				t.Errorf("%s of %s does not hold for the day: %+v", kind, priority, next[0])
			}
		}
		if _, err := draft.Decide(r, draft.Act{Kind: draft.Approve, By: "Dr A"}, false, day); err != nil {
			t.Errorf("approve %s: %v", priority, err)
		}
	}
}
