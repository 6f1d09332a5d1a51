package draft

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
)

// Reconcile compares what the assessment wants with what was asked before and gives the new state of every referral, with
// the keys that changed. tasks tells our own Task per key, as the record shows it, where
// it is not our own doing.
//
// A change of meaning makes a new revision of the document. A referral that ended, by us or by people, is asked again as a
// new round only where its question changed; what people declined is not asked again because a day passed.
//
// Nothing is forgotten for that: what people declined, or ended while the filter stays in, is asked again when the pace says so.
func Reconcile(before []Referral, wants []Want, tasks map[string]Seen, pace Pace, asOf filter.Day) (after []Referral, changed []string) {
	for _, w := range wants {
		old := Referral{Key: w.Key}
		if i := slices.IndexFunc(before, func(r Referral) bool { return r.Key == w.Key }); i >= 0 {
			old = before[i]
		}
		next := step(old, w, tasks[w.Key], pace, asOf)
		if next.Round == 0 {
			continue
		}
		after = append(after, next)
		if !equal(old, next) {
			changed = append(changed, w.Key)
		}
	}
	for _, old := range before {
		if !slices.ContainsFunc(wants, func(w Want) bool { return w.Key == old.Key }) {
			after = append(after, old)
		}
	}
	slices.SortFunc(after, func(a, b Referral) int { return strings.Compare(a.Key, b.Key) })
	slices.Sort(changed)
	return after, changed
}

// StateOf groups FHIR's task-status by what it means for asking again.
func StateOf(status string) string {
	switch status {
	case "draft", "requested":
		return TaskDraft
	case "received", "accepted", "ready", "in-progress", "on-hold":
		return TaskMovedOn
	case "rejected", "cancelled", "entered-in-error", TaskDeleted:
		return TaskDeclined
	case "completed", "failed":
		return TaskDone
	}
	return TaskNone
}

func step(old Referral, w Want, seen Seen, pace Pace, asOf filter.Day) Referral {
	task := StateOf(seen.Status)
	// What stood open when the key was merged was ended by the merge alone.
	stood := old.Round > 0 && old.Reason == Merged && old.Was == Wanted && old.EndedOn == 0
	if old.Reason == Merged && w.Reason != Merged && w.Reason != NoContext {
		old = restored(old)
	}
	open := old.Round > 0 && old.Reason == Wanted
	// Put by for now, while people have the Task in hand or have had their say: it is still the same referral.
	putBy := old.Round > 0 && (old.Reason == NotDue || old.Reason == AskedAlready)
	theirs := task == TaskMovedOn || task == TaskDeclined || task == TaskDone
	// The merge has been taken back, and people had taken the Task up or ended it: it is theirs still. What was open we have ended.
	putBy = putBy || old.Round > 0 && old.Reason == Merged && theirs
	switch {
	case w.Reason == NoContext:
		return old // what stands keeps standing while the context is read anew; nothing is begun
	case (w.Reason == Removed || w.Reason == Deceased || w.Reason == Merged) && old.Round == 0 && (task == TaskDraft || task == TaskMovedOn):
		// Asked by a database that was lost. While its feeds are sent again other answers may be for want of data, and what
		// stands keeps standing; that the filter is out, the patient dead, or two keys one filter, does not come from missing data.
		next := round(old, w, asOf)
		next.Reason = w.Reason
		return next
	case w.Reason != Wanted && old.Round == 0:
		return old
	case old.Reason == Declined && (w.Reason == NotDue || w.Reason == AskedAlready):
		return old // the person's word is the more exact one, and comes to its end
	case w.Reason != Wanted:
		next := old
		next.Reason = w.Reason
		if w.Reason == Merged {
			next.Restored = false
			if old.Reason == Declined || old.Reason != Merged && old.Was == Wanted {
				next.Was = old.Reason
			}
		}
		if w.Meaning != "" && open {
			next.Meaning = w.Meaning
		}
		return next
	case old.Reason == Declined && asOf < old.Until && w.Question == old.Question && !breaks(w):
		return old
	case (open || putBy) && theirs:
		return answered(old, w, seen, pace, asOf)
	case open && old.Patient != "" && w.Patient != old.Patient:
		// The record has merged patients, or took a merge back. A Task never goes over to another patient's chart.
		return carried(old, w, asOf)
	case open && w.To != old.To:
		// Another question of somebody else. Its own round makes the write-back see it, should people have taken up the first
		// one at this moment; a draft that nobody took up becomes the new one.
		return round(old, w, asOf)
	case open:
		return waited(old, w, pace, asOf)
	case stood:
		return carried(old, w, asOf)
	}
	return round(old, w, asOf)
}

// restored is a referral of a key that was merged into another and is by itself again: what a person declined stays declined.
func restored(r Referral) Referral {
	r.Restored = true
	if r.Was == Declined {
		r.Reason = Declined
	}
	r.Was = Wanted
	return r
}

// breaks reports whether what is wanted is so urgent that no person's earlier word to wait may hold it up.
func breaks(w Want) bool { return Urgency(w.Priority) >= Urgency("urgent") }

// waited goes on where the draft stands and nobody has taken it up.
func waited(old Referral, w Want, pace Pace, asOf filter.Day) Referral {
	switch {
	case old.Until > 0 && asOf < old.Until && w.Question == old.Question && !breaks(w):
		// Put off by a person: the document follows the record, the day stays theirs.
		w.Priority = old.Priority
		return revise(old, w, asOf)
	case old.Until > 0:
		due := asOf.Add(w.DueDays)
		if asOf < old.Until {
			due = min(due, old.DueOn)
		}
		old.Until, old.By, old.Why, old.Escalated, old.DueOn = 0, "", "", false, due
		old.Revision++
		old.Priority, old.DueDays, old.Meaning, old.Question, old.BasedOn = w.Priority, w.DueDays, w.Meaning, w.Question, w.BasedOn
		return old
	case !old.Escalated && Urgency(old.Priority) >= 0 && !breaks(w) && asOf > old.DueOn.Add(pace.UnansweredDays):
		old.Escalated = true
		if old.Priority == "asap" {
			return revise(old, w, asOf) // no word for more than this; the worklist shows it
		}
		w.Priority, w.DueDays = "asap", min(w.DueDays, pace.EscalatedDueDays)
		next := revise(old, w, asOf)
		next.DueOn = asOf.Add(w.DueDays)
		return next
	case old.Escalated && !breaks(w):
		w.Priority, w.DueDays = old.Priority, min(w.DueDays, pace.EscalatedDueDays)
	}
	return revise(old, w, asOf)
}

// answered goes on where people have taken the Task up or ended it.
func answered(old Referral, w Want, seen Seen, pace Pace, asOf filter.Day) Referral {
	old.Reason = Wanted
	if StateOf(seen.Status) == TaskMovedOn {
		old.EndedOn = 0
	} else if old.EndedOn == 0 {
		old.EndedOn = asOf
	}
	task := StateOf(seen.Status)
	switch {
	case task != TaskMovedOn && unheard(old, w, seen):
		return round(old, w, asOf)
	case task != TaskMovedOn && w.Question == old.Question && w.To == old.To && asOf < pace.again(old.EndedOn, task):
		return old // what they have answered is not asked again so soon
	case task != TaskMovedOn:
		next := round(old, w, asOf)
		if w.Question == old.Question && w.To == old.To {
			next.Again = seen.Status
		}
		return next
	case old.To == ToCoordinator && w.To == ToClinic:
		// Whether a filter is in has been answered by the record; what to do with it is asked of the clinic.
		return round(old, w, asOf)
	}
	// What people work on is not taken from them, and at most one Task is open: a doubt that arises now goes to the clinic with
	// the document. What they were asked stays what they were asked, unless it has become more urgent.
	if w.To != old.To || Urgency(w.Priority) <= Urgency(old.Priority) {
		w.Question, w.Priority = old.Question, old.Priority
	}
	w.To = old.To
	return revise(old, w, asOf)
}

// unheard reports whether people ended the Task before it said how urgent the matter has become: the round began with less
// than is wanted now, and so did the Task end. A Task of an earlier round says nothing of this one.
func unheard(old Referral, w Want, seen Seen) bool {
	urgent := func(priority string) bool { return Urgency(priority) >= Urgency("urgent") }
	return urgent(w.Priority) && Urgency(seen.Priority) >= 0 && Urgency(seen.Priority) < Urgency(w.Priority) &&
		old.Opened != "" && Urgency(old.Opened) < Urgency(w.Priority)
}

// round asks anew.
func round(old Referral, w Want, asOf filter.Day) Referral {
	return Referral{Key: w.Key, Patient: w.Patient, Round: old.Round + 1, Revision: 1, To: w.To, Priority: w.Priority, Opened: w.Priority, OpenedOn: asOf, DueOn: asOf.Add(w.DueDays), DueDays: w.DueDays,
		Meaning: w.Meaning, Question: w.Question, BasedOn: w.BasedOn}
}

// carried asks anew what stood when patients or keys were merged or told apart: what a person decided on it still holds.
func carried(old Referral, w Want, asOf filter.Day) Referral {
	next := round(old, w, asOf)
	if w.To != old.To {
		return next
	}
	if old.Approved {
		next.Approved, next.ApprovedBy, next.DueOn = true, old.ApprovedBy, max(asOf, min(old.DueOn, next.DueOn))
	}
	if asOf < old.Until && w.Question == old.Question && !breaks(w) {
		next.Until, next.By, next.Why, next.DueOn = old.Until, old.By, old.Why, old.DueOn
	}
	return next
}

// revise keeps the round; a change of meaning makes the document's next revision, and a higher priority an earlier due day.
func revise(old Referral, w Want, asOf filter.Day) Referral {
	next := old
	if w.Meaning == old.Meaning && w.Priority == old.Priority && w.To == old.To && slices.Equal(w.BasedOn, old.BasedOn) {
		return next
	}
	next.Revision++
	next.DueDays = w.DueDays
	next.To, next.Meaning, next.Question, next.BasedOn = w.To, w.Meaning, w.Question, w.BasedOn
	if w.Priority != old.Priority {
		next.Priority = w.Priority
		next.DueOn = asOf.Add(w.DueDays)
		if Urgency(w.Priority) > Urgency(old.Priority) {
			next.DueOn = min(old.DueOn, next.DueOn)
		}
	}
	return next
}

// Urgency ranks a request priority: routine 0, asap 1, urgent 2, stat 3; -1 for any other text.
func Urgency(p string) int { return slices.Index([]string{"routine", "asap", "urgent", "stat"}, p) }

func equal(a, b Referral) bool {
	return a.Key == b.Key && a.Round == b.Round && a.Revision == b.Revision && a.Reason == b.Reason && a.To == b.To && a.Priority == b.Priority &&
		a.DueOn == b.DueOn && a.Approved == b.Approved && a.Patient == b.Patient && a.Meaning == b.Meaning && slices.Equal(a.BasedOn, b.BasedOn)
}
