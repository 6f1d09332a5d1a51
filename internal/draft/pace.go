package draft

import "dwellwatch/internal/filter"

// Pace says how long people are given before what they left, ended or put by is brought up again. All are whole days.
type Pace struct {
	UnansweredDays   int // past its due day, after which a routine draft that nobody took up is raised to asap, once
	EscalatedDueDays int // it is then due
	EndedDays        int // after people completed the Task, or it failed, with the filter still in
	DeclinedDays     int // after people rejected or cancelled it in the record, where no day was given
}

// again gives the day from which a Task that people ended may be asked again with the same question.
func (p Pace) again(endedOn filter.Day, task string) filter.Day {
	if task == TaskDeclined {
		return endedOn.Add(p.DeclinedDays)
	}
	return endedOn.Add(p.EndedDays)
}

// Wake gives the first day after asOf on which time alone can change one of the referrals; MaxDay where it cannot. tasks is what
// Reconcile was given.
func Wake(referrals []Referral, tasks map[string]Seen, pace Pace, asOf filter.Day) filter.Day {
	first := filter.MaxDay
	for _, r := range referrals {
		task := StateOf(tasks[r.Key].Status)
		var day filter.Day
		switch {
		case r.Reason == Declined, r.Reason == Wanted && r.Until > 0 && task != TaskMovedOn && r.EndedOn == 0:
			day = r.Until
		case r.Reason != Wanted:
			continue
		case r.EndedOn > 0:
			day = pace.again(r.EndedOn, task)
		case task == TaskMovedOn, r.Escalated, Urgency(r.Priority) >= Urgency("urgent"):
			continue
		default:
			day = r.DueOn.Add(pace.UnansweredDays + 1)
		}
		if day > asOf {
			first = min(first, day)
		}
	}
	return first
}
