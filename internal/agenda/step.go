package agenda

import (
	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// step says what is to be done next, and by when.
func step(a assess.Assessment, f assess.Filter, r draft.Referral, seen draft.Seen, l Line, asOf filter.Day) (string, filter.Day) {
	again := dayOf(f.LookAgainOn)
	open := r.Round > 0 && r.Reason == draft.Wanted
	switch {
	case l.Rank == RankClosed:
		return "Nothing is left to do", filter.MaxDay
	case l.Rank == RankEmergency, l.Rank == RankUrgent:
		return "Telephone the treating team now", asOf
	case a.Context == assess.ContextPending && r.Round == 0:
		return "The record is being read; nothing is drafted before", filter.MaxDay
	case l.PutOff < filter.MaxDay && r.Reason == draft.Declined:
		return "Declined; asked again from", l.PutOff
	case l.PutOff < filter.MaxDay:
		return "Put off; look again", l.PutOff
	case byOthers(f, r) && f.Asked == "booked":
		return "Booked by others; check that it is done", again
	case byOthers(f, r):
		return "Requested by others; check that it is booked", again
	case l.Rank == RankWait:
		return "Look again", again
	case l.Rank == RankKeep:
		return "Meant to stay; look again", again
	case !open:
		return "Look again", again
	case r.EndedOn > 0:
		return ended(seen.Status), again
	}
	if text, ok := taken(seen.Status); ok {
		return text, due(r)
	}
	return asked(f, r, l), due(r)
}

// taken says what follows where people in the record have taken the Task up.
func taken(status string) (string, bool) {
	switch status {
	case "received":
		return "Received by the clinic; to be accepted", true
	case "accepted":
		return "Accepted; to be booked", true
	case "ready":
		return "Ready; to be booked or done", true
	case "in-progress":
		return "In work; record the outcome", true
	case "on-hold":
		return "On hold in the clinic; ask until when", true
	}
	return "", false
}

// ended says what follows where people in the record have ended the Task and the filter is still in.
func ended(status string) string {
	switch draft.StateOf(status) {
	case draft.TaskDone:
		return "The Task is over and the filter still in: record the outcome"
	case draft.TaskDeclined:
		return "The Task was rejected or cancelled; asked again later"
	}
	return "The Task is over; look again"
}

// asked says what follows where a draft or an order stands and nobody has taken it up.
func asked(f assess.Filter, r draft.Referral, l Line) string {
	switch {
	case f.Verdict == "clarify":
		return "Find out whether a filter is in"
	case l.Lost && !l.InHospital:
		return "Lost to follow-up: write to the patient and the family doctor"
	case l.InHospital:
		return "In hospital now: speak to the ward"
	case !r.Approved && f.Verdict == "review":
		return "A clinician reviews: re-assess, approve or put off"
	case !r.Approved:
		return "A clinician approves, puts off or declines"
	case l.Unreachable:
		return "Find a way to reach the patient"
	case l.LastReached:
		return "Ordered; the clinic books the retrieval"
	case l.Attempts > 0:
		return "Ordered; call the patient again"
	}
	return "Ordered; call the patient"
}

func due(r draft.Referral) filter.Day {
	if r.Round == 0 || r.DueOn == 0 {
		return filter.MaxDay
	}
	return r.DueOn
}

func dayOf(text *string) filter.Day {
	if text == nil {
		return filter.MaxDay
	}
	d, err := filter.ParseDay(*text)
	if err != nil {
		return filter.MaxDay
	}
	return d
}
