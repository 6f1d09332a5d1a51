package draft_test

import (
	"fmt"
	"testing"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// walk is one filter's referral, what the assessment wants now, and our Task of this round as the record shows it.
type walk struct {
	day  filter.Day
	r    draft.Referral
	want draft.Want
	task draft.Seen
}

// wishes are what an assessment can come to ask for.
func wishes() map[string]draft.Want {
	wish := func(reason draft.Reason, to draft.Addressee, priority string, due int, question string) draft.Want {
		return draft.Want{Key: "k", Patient: "Patient/p", Reason: reason, To: to, Priority: priority, DueDays: due, Question: question, Meaning: question + priority + string(reason)}
	}
	return map[string]draft.Want{
		"refer":           wish(draft.Wanted, draft.ToClinic, "routine", 28, "refer"),
		"overdue":         wish(draft.Wanted, draft.ToClinic, "asap", 14, "refer"),
		"urgent":          wish(draft.Wanted, draft.ToClinic, "urgent", 3, "urgent"),
		"attempt failed":  wish(draft.Wanted, draft.ToClinic, "routine", 28, "refer after an attempt"),
		"clarify":         wish(draft.Wanted, draft.ToCoordinator, "routine", 28, "clarify"),
		"not due":         wish(draft.NotDue, draft.ToClinic, "routine", 28, "wait"),
		"booked by other": wish(draft.AskedAlready, draft.ToClinic, "routine", 28, "refer"),
		"removed":         wish(draft.Removed, draft.ToClinic, "routine", 28, "out"),
		"deceased":        wish(draft.Deceased, draft.ToClinic, "routine", 28, "dead"),
		"retracted":       wish(draft.Retracted, draft.ToClinic, "routine", 28, ""),
		"merged":          wish(draft.Merged, draft.ToClinic, "routine", 28, ""),
		"context unread":  wish(draft.NoContext, draft.ToClinic, "routine", 28, "refer"),
	}
}

// settle lets the machine work and the record follow, as the write-back does, and checks what must hold of each step.
func (w walk) settle(t *testing.T, said string) walk {
	t.Helper()
	before := w
	list, changed := draft.Reconcile(listOf(w.r), []draft.Want{w.want}, map[string]draft.Seen{"k": w.task}, pace, w.day)
	w.r = draft.Referral{Key: "k"}
	if len(list) == 1 {
		w.r = list[0]
	}
	w.follow(before.r)
	w.check(t, before, changed, said)
	again, none := draft.Reconcile(listOf(w.r), []draft.Want{w.want}, map[string]draft.Seen{"k": w.task}, pace, w.day)
	if len(none) > 0 || len(again) == 1 && fmt.Sprint(again[0]) != fmt.Sprint(w.r) {
		t.Fatalf("%s: the same once more changes %v\n%+v\n%+v", said, none, w.r, again)
	}
	return w
}

func listOf(r draft.Referral) []draft.Referral {
	if r.Round == 0 {
		return nil
	}
	return []draft.Referral{r}
}

// follow is the record after the write-back: a new round has a draft, what is no longer wanted and untouched is ended by us and
// no longer seen, and a filter that is out or nobody's leaves nothing open.
func (w *walk) follow(was draft.Referral) {
	state := draft.StateOf(w.task.Status)
	switch {
	case w.r.Round == 0:
	case w.r.Reason == draft.Wanted && w.r.Round > was.Round:
		w.task = draft.Seen{Status: "draft", Priority: w.r.Priority}
		if w.r.Approved {
			w.task.Status = "requested"
		}
	case w.r.Reason == draft.Wanted && state == draft.TaskDraft:
		w.task.Priority = w.r.Priority
	case w.r.Reason == draft.Wanted || state != draft.TaskDraft && state != draft.TaskMovedOn:
	case state == draft.TaskDraft, w.r.Reason == draft.Removed, w.r.Reason == draft.Deceased, w.r.Reason == draft.Retracted, w.r.Reason == draft.Merged:
		w.task = draft.Seen{}
	}
}

func (w walk) check(t *testing.T, before walk, changed []string, said string) {
	t.Helper()
	fail := func(what string) {
		t.Helper()
		t.Fatalf("%s: %s\nbefore %+v %+v\nwant   %+v\nafter  %+v %+v", said, what, before.r, before.task, w.want, w.r, w.task)
	}
	old, now, state := before.r, w.r, draft.StateOf(before.task.Status)
	open := old.Round > 0 && old.Reason == draft.Wanted
	switch {
	case now.Round < old.Round || now.Round > old.Round+1 || now.Round == old.Round && now.Revision < old.Revision:
		fail("rounds and revisions only grow, one round at a time")
	case w.want.Reason == draft.NoContext && fmt.Sprint(now) != fmt.Sprint(old):
		fail("nothing changes while the context is unread")
	case (w.want.Reason == draft.Removed || w.want.Reason == draft.Deceased || w.want.Reason == draft.Retracted || w.want.Reason == draft.Merged) &&
		now.Round > 0 && now.Reason != w.want.Reason:
		fail("a filter that is out, or nobody's, is asked about no more, whatever people said")
	case w.want.Reason != draft.Wanted && now.Round > old.Round && old.Round > 0:
		fail("a round begins only where one is wanted")
	case w.want.Reason == draft.Wanted && (state == draft.TaskMovedOn) && open && now.Round > old.Round && !(old.To == draft.ToCoordinator && w.want.To == draft.ToClinic):
		fail("what people work on is not asked anew")
	case w.want.Reason == draft.Wanted && draft.Urgency(w.want.Priority) >= draft.Urgency("urgent") &&
		(now.Reason != draft.Wanted || draft.Urgency(now.Priority) < draft.Urgency(w.want.Priority)):
		fail("urgent breaks every decision to wait")
	case w.want.Reason == draft.Wanted && w.want.Question != old.Question && old.Round > 0 && now.Reason != draft.Wanted:
		fail("new evidence ends a decline")
	case old.Reason == draft.Declined && w.want.Reason == draft.Wanted && w.want.Question == old.Question && w.day < old.Until &&
		draft.Urgency(w.want.Priority) < draft.Urgency("urgent") && now.Reason != draft.Declined:
		fail("a decline holds until its day")
	case w.want.Reason == draft.Wanted && now.Reason == draft.Declined && w.day >= now.Until:
		fail("a decline ends on its day")
	case open && w.want.Reason == draft.Wanted && w.want.Question == old.Question && w.want.To == old.To && now.Round > old.Round && state != draft.TaskNone && state != draft.TaskDraft &&
		draft.Urgency(w.want.Priority) < draft.Urgency("urgent") && (old.EndedOn == 0 || w.day < old.EndedOn+30):
		fail("the same question is not asked again at once")
	case open && w.want.Reason == draft.Wanted && state == draft.TaskMovedOn && now.EndedOn > 0:
		fail("what people work on has not ended")
	case open && w.want.Reason == draft.Wanted && now.Round == old.Round && old.EndedOn > 0 && state != draft.TaskMovedOn && w.day >= old.EndedOn+90:
		fail("a filter that stays in is not forgotten because somebody ended the Task")
	case now.Reason == draft.Wanted && now.Round == old.Round && open && now.DueOn > old.DueOn && draft.Urgency(now.Priority) > draft.Urgency(old.Priority) && w.day <= old.DueOn:
		fail("more urgent is never due later, before it was late")
	case len(changed) == 0 && open == (now.Reason == draft.Wanted) && now.Round == old.Round && now.Revision != old.Revision:
		fail("a revision that nobody is told to write")
	}
	// Time alone changes nothing before the day that was foretold.
	wake := draft.Wake(listOf(now), map[string]draft.Seen{"k": w.task}, pace, w.day)
	if wake <= w.day {
		fail("a day to look again that has passed")
	}
	for _, day := range []filter.Day{w.day + 1, wake - 1} {
		if day <= w.day || day >= wake || day > w.day+4000 {
			continue
		}
		if later, told := draft.Reconcile(listOf(now), []draft.Want{w.want}, map[string]draft.Seen{"k": w.task}, pace, day); len(told) > 0 {
			fail(fmt.Sprintf("on %s, before %s, %v changes: %+v", day, wake, told, later))
		}
	}
}

// move is something that can happen next; ok is false where it cannot.
type move func(w walk) (next walk, ok bool)

func moves() map[string]move {
	out := map[string]move{}
	for name, want := range wishes() {
		out[name] = func(w walk) (walk, bool) { w.want = want; return w, true }
	}
	for _, status := range []string{"accepted", "rejected", "completed", "failed", "entered-in-error"} {
		out["people: "+status] = func(w walk) (walk, bool) {
			state := draft.StateOf(w.task.Status)
			w.task.Status = status
			return w, state == draft.TaskDraft && status != "completed" && status != "failed" || state == draft.TaskMovedOn && status != "accepted"
		}
	}
	out["people: open it again"] = func(w walk) (walk, bool) {
		state := draft.StateOf(w.task.Status)
		w.task.Status = "in-progress"
		return w, state == draft.TaskDeclined || state == draft.TaskDone
	}
	for _, days := range []int{1, 30, 91} {
		out[fmt.Sprintf("%d days pass", days)] = func(w walk) (walk, bool) { w.day += filter.Day(days); return w, true }
	}
	for _, act := range []draft.Act{{Kind: draft.Approve, By: "Dr A"}, {Kind: draft.Decline, By: "Dr A", Why: "frail", Until: 60}, {Kind: draft.Snooze, By: "Dr A", Why: "on holiday", Until: 40}} {
		out["we hear: "+string(act.Kind)] = func(w walk) (walk, bool) {
			act := act
			act.Until += w.day
			decided, err := draft.Decide(w.r, act, false, w.day)
			if err != nil || draft.StateOf(w.task.Status) != draft.TaskDraft {
				return w, false
			}
			was := w.r
			w.r = decided
			w.follow(was)
			return w, true
		}
	}
	return out
}

// TestEveryShortLife walks every life of a referral of so many steps, from every other, and checks each step. Lives that have come
// to the same state go on as one.
func TestEveryShortLife(t *testing.T) {
	t.Parallel()
	const steps = 5
	start := walk{day: 20000, r: draft.Referral{Key: "k"}, want: wishes()["not due"]}
	front := map[string]walk{fmt.Sprint(start): start}
	seen := map[string]bool{}
	happens := moves()
	walked, reasons := 0, map[draft.Reason]int{}
	for n := range steps {
		next := map[string]walk{}
		for _, w := range front {
			for name, move := range happens {
				moved, ok := move(w)
				if !ok {
					continue
				}
				moved = moved.settle(t, name)
				walked++
				reasons[moved.r.Reason]++
				key := moved.key()
				if !seen[key] {
					seen[key] = true
					next[key] = moved
				}
			}
		}
		t.Logf("step %d: %d states", n+1, len(next))
		front = next
	}
	t.Logf("%d steps walked, %d states, ending %v", walked, len(seen), reasons)
	for _, reason := range []draft.Reason{draft.Wanted, draft.Removed, draft.Deceased, draft.Retracted, draft.Merged, draft.NotDue, draft.AskedAlready, draft.Declined} {
		if reasons[reason] == 0 {
			t.Errorf("no life comes to %q", reason)
		}
	}
}

// key names a state by what decides its future: days count from today, and rounds and revisions not at all.
func (w walk) key() string {
	r := w.r
	r.Round, r.Revision = min(r.Round, 1), min(r.Revision, 1)
	for _, day := range []*filter.Day{&r.OpenedOn, &r.DueOn, &r.EndedOn, &r.Until} {
		if *day > 0 {
			*day -= w.day
		}
	}
	r.OpenedOn = 0
	return fmt.Sprintf("%+v %+v %+v", r, w.want.Meaning, w.task)
}

// TestDecide: a decision names a person, and one to wait a reason and a day within bounds; what is wrong is all named.
func TestDecide(t *testing.T) {
	t.Parallel()
	const day filter.Day = 20000
	open := draft.Referral{Key: "k", Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine", OpenedOn: day, DueOn: day + 28}
	with := func(change func(*draft.Referral)) draft.Referral { r := open; change(&r); return r }
	for name, c := range map[string]struct {
		r         draft.Referral
		act       draft.Act
		permanent bool
		good      bool
	}{
		"approve":                           {open, draft.Act{Kind: draft.Approve, By: "Dr A"}, false, true},
		"approve by nobody":                 {open, draft.Act{Kind: draft.Approve}, false, false},
		"approve twice":                     {with(func(r *draft.Referral) { r.Approved = true }), draft.Act{Kind: draft.Approve, By: "Dr A"}, false, false},
		"approve what asks the coordinator": {with(func(r *draft.Referral) { r.To = draft.ToCoordinator }), draft.Act{Kind: draft.Approve, By: "Dr A"}, false, false},
		"decline":                           {open, draft.Act{Kind: draft.Decline, By: "Dr A", Why: "frail", Until: day + 90}, false, true},
		"decline for a day too long":        {open, draft.Act{Kind: draft.Decline, By: "Dr A", Why: "frail", Until: day + 91}, false, false},
		"decline what stays for a year":     {open, draft.Act{Kind: draft.Decline, By: "Dr A", Why: "decided to stay", Until: day + 365}, true, true},
		"decline what stays for longer":     {open, draft.Act{Kind: draft.Decline, By: "Dr A", Why: "decided to stay", Until: day + 366}, true, false},
		"decline until today":               {open, draft.Act{Kind: draft.Decline, By: "Dr A", Why: "frail", Until: day}, false, false},
		"decline without a reason":          {open, draft.Act{Kind: draft.Decline, By: "Dr A", Until: day + 9}, false, false},
		"snooze":                            {open, draft.Act{Kind: draft.Snooze, By: "Dr A", Why: "on holiday", Until: day + 1}, false, true},
		"snooze an order":                   {with(func(r *draft.Referral) { r.Approved = true }), draft.Act{Kind: draft.Snooze, By: "Dr A", Why: "on holiday", Until: day + 1}, false, false},
		"decide on nothing":                 {draft.Referral{Key: "k"}, draft.Act{Kind: draft.Approve, By: "Dr A"}, false, false},
		"decide on what is over":            {with(func(r *draft.Referral) { r.Reason = draft.Removed }), draft.Act{Kind: draft.Decline, By: "Dr A", Why: "x", Until: day + 1}, false, false},
		"decide on what people ended":       {with(func(r *draft.Referral) { r.EndedOn = day }), draft.Act{Kind: draft.Approve, By: "Dr A"}, false, false},
		"no such decision":                  {open, draft.Act{Kind: "forget", By: "Dr A"}, false, false},
	} {
		after, err := draft.Decide(c.r, c.act, c.permanent, day)
		if (err == nil) != c.good {
			t.Errorf("%s: %v", name, err)
		}
		if !c.good && fmt.Sprint(after) != fmt.Sprint(c.r) {
			t.Errorf("%s: a refused decision changed the referral", name)
		}
	}
}

// TestApprovalEndsAPuttingOff: an order is due by the rules from the day of its approval, never on the day to which the proposal was put
// off, and never later than the proposal was.
func TestApprovalEndsAPuttingOff(t *testing.T) {
	t.Parallel()
	day := filter.NewDay(2026, 3, 1)
	pace := draft.Pace{UnansweredDays: 14, EscalatedDueDays: 14, EndedDays: 28, DeclinedDays: 90}
	for _, c := range []struct {
		priority string
		days     int
	}{{"routine", 28}, {"asap", 14}, {"asap", 3}} {
		want := draft.Want{Key: "k", Reason: draft.Wanted, To: draft.ToClinic, Priority: c.priority, DueDays: c.days, Meaning: "m", Question: "q"}
		open := func(asOf filter.Day, before ...draft.Referral) draft.Referral {
			after, _ := draft.Reconcile(before, []draft.Want{want}, nil, pace, asOf)
			return after[0]
		}
		decide := func(r draft.Referral, asOf filter.Day, act draft.Act) draft.Referral {
			act.By, act.Why = "Dr A", "x"
			next, err := draft.Decide(r, act, false, asOf)
			if err != nil {
				t.Fatal(err)
			}
			return next
		}
		first := open(day)
		if got := decide(first, day+1, draft.Act{Kind: draft.Approve}).DueOn; got != day.Add(c.days) {
			t.Errorf("%s, %d days: approved the day after, due %s", c.priority, c.days, got)
		}
		put := decide(first, day, draft.Act{Kind: draft.Snooze, Until: day + 60})
		want.Meaning = "the document follows the record"
		put = open(day+1, put)
		if put.DueOn != day+60 {
			t.Fatalf("put off, due %s", put.DueOn)
		}
		order := decide(put, day+2, draft.Act{Kind: draft.Approve})
		if got := order.DueOn; got != (day + 2).Add(c.days) {
			t.Errorf("%s, %d days: put off and approved, due %s, want %s", c.priority, c.days, got, (day + 2).Add(c.days))
		}
		if got := open(day+3, order).DueOn; got != order.DueOn {
			t.Errorf("%s, %d days: due %s the day after", c.priority, c.days, got)
		}
	}
}
