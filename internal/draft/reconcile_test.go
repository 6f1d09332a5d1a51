package draft_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// pace is what the tests use: people have a week, a month and a quarter.
var pace = draft.Pace{UnansweredDays: 7, EscalatedDueDays: 14, EndedDays: 30, DeclinedDays: 90}

// TestLifeOfAReferral: what one assessment does to what was asked before.
func TestLifeOfAReferral(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	open := draft.Referral{Key: "k", Round: 1, Revision: 2, To: draft.ToClinic, Priority: "routine", OpenedOn: day - 10, DueOn: day + 18, Meaning: "m", Question: "q"}
	want := draft.Want{Key: "k", To: draft.ToClinic, Priority: "routine", DueDays: 28, Meaning: "m", Question: "q"}
	with := func(change func(*draft.Want)) draft.Want { w := want; change(&w); return w }
	ended := open
	ended.EndedOn = day
	closed := open
	closed.Reason = draft.Removed
	doubt := open
	doubt.To = draft.ToCoordinator
	putBy := open
	putBy.Reason = draft.NotDue
	for _, c := range []struct {
		name   string
		before []draft.Referral
		want   draft.Want
		task   string
		after  []draft.Referral
	}{
		{"asked for the first time", nil, want, "", []draft.Referral{{Key: "k", Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"nothing to ask", nil, with(func(w *draft.Want) { w.Reason = draft.NotDue }), "", nil},
		{"removed while the database was lost", nil, with(func(w *draft.Want) { w.Reason = draft.Removed }), "draft", []draft.Referral{{Key: "k", Round: 1, Revision: 1, Reason: draft.Removed, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"removed and the Task over while the database was lost", nil, with(func(w *draft.Want) { w.Reason = draft.Removed }), "completed", nil},
		{"not due, as far as a database made anew knows", nil, with(func(w *draft.Want) { w.Reason = draft.NotDue }), "draft", nil},
		{"context not read", nil, with(func(w *draft.Want) { w.Reason = draft.NoContext }), "", nil},
		{"nothing new", []draft.Referral{open}, want, "draft", []draft.Referral{open}},
		{"a new meaning is a new revision", []draft.Referral{open}, with(func(w *draft.Want) { w.Meaning = "n" }), "draft", []draft.Referral{{Key: "k", Round: 1, Revision: 3, To: draft.ToClinic, Priority: "routine", OpenedOn: day - 10, DueOn: day + 18, DueDays: 28, Meaning: "n", Question: "q"}}},
		{"urgent is due sooner", []draft.Referral{open}, with(func(w *draft.Want) { w.Priority, w.DueDays, w.Meaning = "urgent", 3, "n" }), "draft", []draft.Referral{{Key: "k", Round: 1, Revision: 3, To: draft.ToClinic, Priority: "urgent", OpenedOn: day - 10, DueOn: day + 3, DueDays: 3, Meaning: "n", Question: "q"}}},
		{"declined, and the same question", []draft.Referral{open}, with(func(w *draft.Want) { w.Meaning = "n" }), "rejected", []draft.Referral{ended}},
		{"declined, and a new question", []draft.Referral{open}, with(func(w *draft.Want) { w.Meaning, w.Question = "n", "r" }), "rejected", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "n", Question: "r"}}},
		{"taken up, and a new meaning keeps the question", []draft.Referral{open}, with(func(w *draft.Want) { w.Meaning, w.Question = "n", "r" }), "accepted", []draft.Referral{{Key: "k", Round: 1, Revision: 3, To: draft.ToClinic, Priority: "routine", OpenedOn: day - 10, DueOn: day + 18, DueDays: 28, Meaning: "n", Question: "q"}}},
		{"taken up, and urgent", []draft.Referral{open}, with(func(w *draft.Want) { w.Priority, w.DueDays, w.Meaning, w.Question = "urgent", 3, "n", "r" }), "in-progress", []draft.Referral{{Key: "k", Round: 1, Revision: 3, To: draft.ToClinic, Priority: "urgent", OpenedOn: day - 10, DueOn: day + 3, DueDays: 3, Meaning: "n", Question: "r"}}},
		{"called an error, and a new question", []draft.Referral{open}, with(func(w *draft.Want) { w.Meaning, w.Question = "n", "r" }), "entered-in-error", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "n", Question: "r"}}},
		{"a draft for another addressee", []draft.Referral{doubt}, want, "draft", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"the clinic has it, and a doubt arises", []draft.Referral{open}, with(func(w *draft.Want) { w.To, w.Meaning, w.Question = draft.ToCoordinator, "n", "r" }), "accepted", []draft.Referral{{Key: "k", Round: 1, Revision: 3, To: draft.ToClinic, Priority: "routine", OpenedOn: day - 10, DueOn: day + 18, DueDays: 28, Meaning: "n", Question: "q"}}},
		{"the coordinator has it, and the record answers", []draft.Referral{doubt}, want, "in-progress", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"the coordinator has answered, and the clinic is asked", []draft.Referral{doubt}, want, "completed", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"the coordinator rejected, and the clinic is asked", []draft.Referral{doubt}, want, "rejected", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"put by while the clinic has it, and wanted again", []draft.Referral{putBy}, want, "in-progress", []draft.Referral{open}},
		{"put by and ended by the clinic, and the same question again", []draft.Referral{putBy}, want, "completed", []draft.Referral{ended}},
		{"put by and rejected, and a new question", []draft.Referral{putBy}, with(func(w *draft.Want) { w.Question = "r" }), "rejected", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "r"}}},
		{"put by and cancelled by people, and the same question again", []draft.Referral{putBy}, want, "cancelled", []draft.Referral{ended}},
		{"put by with its draft cancelled by us, and wanted again", []draft.Referral{putBy}, want, "", []draft.Referral{{Key: "k", Round: 2, Revision: 1, To: draft.ToClinic, Priority: "routine", Opened: "routine", OpenedOn: day, DueOn: day + 28, DueDays: 28, Meaning: "m", Question: "q"}}},
		{"removed", []draft.Referral{open}, with(func(w *draft.Want) { w.Reason, w.Meaning = draft.Removed, "" }), "draft", []draft.Referral{closed}},
		{"context is read anew", []draft.Referral{open}, with(func(w *draft.Want) { w.Reason, w.Meaning = draft.NoContext, "n" }), "draft", []draft.Referral{open}},
		{"another filter's referral stays", []draft.Referral{{Key: "z", Round: 4, Revision: 1}}, with(func(w *draft.Want) { w.Reason = draft.NotDue }), "", []draft.Referral{{Key: "z", Round: 4, Revision: 1}}},
	} {
		after, changed := draft.Reconcile(c.before, []draft.Want{c.want}, map[string]draft.Seen{"k": {Status: c.task}}, pace, day)
		if diff := cmp.Diff(c.after, after); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		// That people ended the Task is noted, and nothing has to be written for it.
		noted := len(c.after) == 1 && c.after[0].EndedOn == day && len(c.before) == 1 && c.before[0].Reason == draft.Wanted
		if moved := !cmp.Equal(c.before, c.after) && !noted; moved != (len(changed) == 1) {
			t.Errorf("%s: changed keys %v", c.name, changed)
		}
	}
}

// TestEndedBeforeItWasUrgent: people ended the Task before it said how urgent the matter has become; their update came after the
// referral was revised, or not at all until the Task was read. They are asked once more, and only once.
func TestEndedBeforeItWasUrgent(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	revised := draft.Referral{Key: "k", Round: 1, Revision: 2, To: draft.ToClinic, Priority: "urgent", Opened: "routine", OpenedOn: day - 10, DueOn: day, Meaning: "n", Question: "r"}
	want := draft.Want{Key: "k", To: draft.ToClinic, Priority: "urgent", DueDays: 3, Meaning: "n", Question: "r"}
	for _, c := range []struct {
		name   string
		before draft.Referral
		seen   draft.Seen
		round  int
	}{
		{"rejected as routine", revised, draft.Seen{Status: "rejected", Priority: "routine"}, 2},
		{"completed as overdue", revised, draft.Seen{Status: "completed", Priority: "asap"}, 2},
		{"rejected as urgent", revised, draft.Seen{Status: "rejected", Priority: "urgent"}, 1},
		{"rejected, and no priority is told", revised, draft.Seen{Status: "rejected"}, 1},
		{"in work as routine", revised, draft.Seen{Status: "in-progress", Priority: "routine"}, 1},
	} {
		after, _ := draft.Reconcile([]draft.Referral{c.before}, []draft.Want{want}, map[string]draft.Seen{"k": c.seen}, pace, day)
		if after[0].Round != c.round {
			t.Errorf("%s: round %d, want %d", c.name, after[0].Round, c.round)
		}
		seen := c.seen
		if c.round == 2 {
			seen = draft.Seen{Status: "draft", Priority: "urgent"}
		}
		if again, changed := draft.Reconcile(after, []draft.Want{want}, map[string]draft.Seen{"k": seen}, pace, day); len(changed) > 0 {
			t.Errorf("%s: asked for ever: %+v", c.name, again)
		}
	}
}

// TestReferralsAlongManyDays: one referral for each key; rounds and revisions only grow; the same wish twice changes
// nothing; and while a referral is open, no new revision without a change of meaning, addressee, priority or basis.
func TestReferralsAlongManyDays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var state []draft.Referral
		day := filter.Day(20000)
		for range rapid.IntRange(1, 12).Draw(t, "days") {
			day += filter.Day(rapid.IntRange(0, 40).Draw(t, "on"))
			var wants []draft.Want
			tasks := map[string]draft.Seen{}
			for _, key := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"a", "b", "c"}), 0, 3, rapid.ID[string]).Draw(t, "keys") {
				question := rapid.SampledFrom([]string{"q1", "q2"}).Draw(t, "question")
				wants = append(wants, draft.Want{Key: key, Reason: rapid.SampledFrom([]draft.Reason{draft.Wanted, draft.Wanted, draft.Wanted, draft.NotDue, draft.Removed, draft.NoContext, draft.Merged}).Draw(t, "reason"),
					To: draft.ToClinic, Priority: rapid.SampledFrom([]string{"routine", "asap", "urgent", "stat"}).Draw(t, "priority"), DueDays: 7, Question: question,
					Meaning: question + rapid.SampledFrom([]string{"", " more"}).Draw(t, "meaning")})
				tasks[key] = draft.Seen{Status: rapid.SampledFrom([]string{"", "draft", "accepted", "rejected", "completed"}).Draw(t, "task"),
					Priority: rapid.SampledFrom([]string{"", "routine", "asap", "urgent"}).Draw(t, "seen")}
			}
			after, changed := draft.Reconcile(state, wants, tasks, pace, day)
			for _, r := range after {
				// The Task of a round that has just begun is a draft, whatever became of the one before.
				if i := slices.IndexFunc(state, func(o draft.Referral) bool { return o.Key == r.Key }); i < 0 || state[i].Round < r.Round {
					tasks[r.Key] = draft.Seen{Status: "draft", Priority: r.Priority}
				}
			}
			again, none := draft.Reconcile(after, wants, tasks, pace, day)
			if diff := cmp.Diff(after, again); diff != "" || len(none) > 0 {
				t.Fatalf("the same wish again changes %v (-once +twice):\n%s", none, diff)
			}
			old := map[string]draft.Referral{}
			for _, r := range state {
				old[r.Key] = r
			}
			seen := map[string]bool{}
			for _, r := range after {
				was := old[r.Key]
				if seen[r.Key] {
					t.Fatalf("two referrals for %s", r.Key)
				}
				seen[r.Key] = true
				if r.Round < was.Round || r.Round == was.Round && r.Revision < was.Revision || r.Round > was.Round+1 {
					t.Fatalf("from round %d.%d to %d.%d", was.Round, was.Revision, r.Round, r.Revision)
				}
				if was.Round == r.Round && r.Revision > was.Revision && was.Meaning == r.Meaning && was.Priority == r.Priority && was.To == r.To {
					t.Fatalf("a new revision that says nothing new: %+v", r)
				}
				if was.Round > 0 && was.Reason == draft.Wanted && r.Round > was.Round && was.Question == r.Question && draft.Urgency(r.Priority) <= draft.Urgency(was.Opened) &&
					(was.EndedOn == 0 || day < was.EndedOn+30) {
					t.Fatalf("asked again without a new question: %+v", r)
				}
			}
			for key := range old {
				if !seen[key] {
					t.Fatalf("the referral of %s was lost", key)
				}
			}
			for _, key := range changed {
				if !seen[key] {
					t.Fatalf("%s changed and is not there", key)
				}
			}
			state = after
		}
	})
}
