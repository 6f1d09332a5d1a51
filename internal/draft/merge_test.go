package draft_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// TestMergedAndApartAgain: a key is merged into another and is told apart again. What people had ended stays ended, what a person
// declined stays declined to its day, and what stood open is asked anew, since the merge ended its Task.
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
	ended := with(func(r *draft.Referral) { r.EndedOn = day - 3 })
	restored := func(r draft.Referral) draft.Referral { r.Restored = true; return r }
	for name, c := range map[string]struct {
		before draft.Referral
		merged string // status of the Task when the keys are merged
		apart  string // and when they are told apart
		after  draft.Referral
	}{
		"open":                          {base, "draft", "", anew},
		"in work":                       {base, "in-progress", "in-progress", anew},
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
