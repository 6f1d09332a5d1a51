package draft_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// TestMergedAndApartAgain: a key is merged into another and is told apart again. What people had ended stays ended, what a person
// declined stays declined to its day, and what stood open is asked anew, since the merge ended its Task: as an order where a clinician approved it,
// and put off where a person did. What people have taken up no merge ends.
func TestMergedAndApartAgain(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	base := draft.Referral{Key: "k", Patient: "Patient/p", Round: 1, Revision: 2, To: draft.ToClinic, Priority: "routine", OpenedOn: day - 10, DueOn: day + 18, Meaning: "m", Question: "q"}
	with := func(change func(*draft.Referral)) draft.Referral { r := base; change(&r); return r }
	want := draft.Want{Key: "k", Patient: "Patient/p", To: draft.ToClinic, Priority: "routine", DueDays: 28, Meaning: "m", Question: "q"}
	anew := draft.Referral{Key: "k", Patient: "Patient/p", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}
	declined := with(func(r *draft.Referral) {
		r.Reason, r.Until, r.By, r.Why = draft.Declined, day+5, "Dr Example", "unwell"
	})
	putOff := with(func(r *draft.Referral) { r.Until, r.By, r.Why, r.DueOn = day+30, "Dr Example", "abroad", day+30 })
	approved := with(func(r *draft.Referral) { r.Approved, r.ApprovedBy = true, "Dr Example" })
	ended := with(func(r *draft.Referral) { r.EndedOn = day - 3 })
	restored := func(r draft.Referral) draft.Referral { r.Restored = true; return r }
	for name, c := range map[string]struct {
		before draft.Referral
		merged string // status of the Task when the keys are merged
		apart  string // and when they are told apart
		after  draft.Referral
	}{
		"open":                     {base, "draft", "", anew},
		"in work":                  {base, "in-progress", "in-progress", restored(base)},
		"taken up a moment before": {base, "draft", "accepted", restored(base)},
		"put off": {putOff, "draft", "", with(func(r *draft.Referral) {
			*r = anew
			r.Until, r.By, r.Why, r.DueOn = day+30, "Dr Example", "abroad", day+30
		})},
		"put off until before":          {with(func(r *draft.Referral) { *r = putOff; r.Until = day }), "draft", "", anew},
		"approved":                      {approved, "requested", "", with(func(r *draft.Referral) { *r = anew; r.Approved, r.ApprovedBy, r.DueOn = true, "Dr Example", day+18 })},
		"approved, and in work":         {approved, "accepted", "accepted", restored(approved)},
		"put off, and not due since":    {with(func(r *draft.Referral) { *r = putOff; r.Reason = draft.NotDue }), "draft", "", anew},
		"rejected":                      {ended, "rejected", "rejected", restored(ended)},
		"completed":                     {ended, "completed", "completed", restored(ended)},
		"rejected at the same time":     {base, "rejected", "rejected", restored(with(func(r *draft.Referral) { r.EndedOn = day }))},
		"rejected long ago":             {with(func(r *draft.Referral) { r.EndedOn = day - 90 }), "rejected", "rejected", func() draft.Referral { r := anew; r.Again = "rejected"; return r }()},
		"declined with us":              {declined, "", "", restored(declined)},
		"declined with us until before": {with(func(r *draft.Referral) { r.Reason, r.Until = draft.Declined, day }), "", "", anew},
	} {
		merge := draft.Want{Key: "k", Patient: "Patient/p", Reason: draft.Merged}
		put, changed := draft.Reconcile([]draft.Referral{c.before}, []draft.Want{merge}, map[string]draft.Seen{"k": {Status: c.merged}}, pace, day)
		if len(changed) != 1 || put[0].Reason != draft.Merged || put[0].Round != c.before.Round {
			t.Errorf("%s: merged %+v", name, put)
		}
		if again, changed := draft.Reconcile(put, []draft.Want{merge}, map[string]draft.Seen{"k": {Status: c.merged}}, pace, day); len(changed) > 0 || !cmp.Equal(put, again) {
			t.Errorf("%s: merged twice %+v", name, again)
		}
		after, changed := draft.Reconcile(put, []draft.Want{want}, map[string]draft.Seen{"k": {Status: c.apart}}, pace, day)
		if diff := cmp.Diff([]draft.Referral{c.after}, after); diff != "" || len(changed) != 1 {
			t.Errorf("%s: changed %v (-want +got):\n%s", name, changed, diff)
		}
	}
}

// TestMergedWhileTheDatabaseWasLost: a Task that an earlier database made under a key that is another's filter now is ended.
func TestMergedWhileTheDatabaseWasLost(t *testing.T) {
	t.Parallel()
	for status, reason := range map[string][]draft.Reason{"draft": {draft.Merged}, "accepted": {draft.Merged}, "rejected": nil, "": nil} {
		after, _ := draft.Reconcile(nil, []draft.Want{{Key: "k", Reason: draft.Merged}}, map[string]draft.Seen{"k": {Status: status}}, pace, 20000)
		var got []draft.Reason
		for _, r := range after {
			got = append(got, r.Reason)
		}
		if diff := cmp.Diff(reason, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", status, diff)
		}
	}
}

// TestPatientsMergedKeepDecisions: the patient of what stands becomes another, by a merge or because it was taken back. The Task is a new
// one, and what a person decided holds.
func TestPatientsMergedKeepDecisions(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	base := draft.Referral{Key: "k", Patient: "Patient/old", Round: 1, Revision: 2, To: draft.ToClinic, Priority: "routine", OpenedOn: day - 10, DueOn: day + 18, Meaning: "m", Question: "q"}
	want := draft.Want{Key: "k", Patient: "Patient/new", To: draft.ToClinic, Priority: "routine", DueDays: 28, Meaning: "m", Question: "q"}
	for name, c := range map[string]struct {
		before   func(*draft.Referral)
		want     func(*draft.Want)
		approved bool
		until    filter.Day
	}{
		"open":                    {func(*draft.Referral) {}, nil, false, 0},
		"approved":                {func(r *draft.Referral) { r.Approved, r.ApprovedBy = true, "Dr Example" }, nil, true, 0},
		"put off":                 {func(r *draft.Referral) { r.Until = day + 30 }, nil, false, day + 30},
		"put off until before":    {func(r *draft.Referral) { r.Until = day }, nil, false, 0},
		"put off, now urgent":     {func(r *draft.Referral) { r.Until = day + 30 }, func(w *draft.Want) { w.Priority = "urgent" }, false, 0},
		"put off, asked anew":     {func(r *draft.Referral) { r.Until = day + 30 }, func(w *draft.Want) { w.Question = "other" }, false, 0},
		"approved, others to ask": {func(r *draft.Referral) { r.Approved = true }, func(w *draft.Want) { w.To = draft.ToCoordinator }, false, 0},
	} {
		before, w := base, want
		c.before(&before)
		if c.want != nil {
			c.want(&w)
		}
		after, _ := draft.Reconcile([]draft.Referral{before}, []draft.Want{w}, nil, pace, day)
		if r := after[0]; r.Round != 2 || r.Patient != "Patient/new" || r.Approved != c.approved || r.ApprovedBy != before.ApprovedBy && c.approved || r.Until != c.until {
			t.Errorf("%s: %+v", name, r)
		}
	}
}
