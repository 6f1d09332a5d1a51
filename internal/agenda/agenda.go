// Package agenda says, for one filter, what stands on the worklist: how urgent it is, since when somebody waits, who has
// it in hand, what was tried, and what the next step is and when. It is pure: no clock (asOf is an argument), no I/O, no
// FHIR, no SQL. It never decides anything: a line follows from the assessment and the referral.
package agenda

import (
	"slices"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// AttemptsToLose is after how many attempts in vain a patient counts as lost to follow-up: the measure on the follow-up of
// filters (QPP 421) takes two.
const AttemptsToLose = 2

// Ranks of a line, the most urgent first.
const (
	RankEmergency = iota
	RankUrgent
	RankSoon    // asap
	RankRoutine // refer or review
	RankClarify
	RankRests // put off by people, or in others' hands
	RankWait
	RankKeep
	RankClosed
)

// Line is one filter on the worklist.
type Line struct {
	Key                 string
	Name, Born, Patient string
	Standing            string
	Verdict, Headline   string
	Overdue, Emergency  bool
	Placed              filter.Span // Unknown where the record does not say
	Model               string
	Rank                int
	Waiting             filter.Day // since when an answer of people is waited for; MaxDay where it is not
	Asked               string
	TaskStatus          string // of our Task as the record shows it
	TaskOwner           string // likewise; a reference where it shows no name
	Owner               string // who has it in hand, in words
	Step                string
	StepOn              filter.Day // MaxDay where there is no day for it
	PutOff              filter.Day // the day to which people put it off; MaxDay where they did not
	InHospital          bool
	Unreachable         bool // the record names no way to reach the patient
	Attempts            int  // attempts in vain since the patient was last reached
	LastContact         filter.Day // of the last attempt; MaxDay where none was made
	LastReached         bool       // the last attempt was not in vain
	Lost                bool
}

// Of gives the line of one filter of an assessment. seen is our Task as the record shows it; the zero Seen where it shows
// none, or only what we wrote.
func Of(a assess.Assessment, f assess.Filter, r draft.Referral, seen draft.Seen, asOf filter.Day) Line {
	l := Line{Key: f.Key, Name: a.Person.Name, Born: a.Person.BirthDate, Patient: a.Patient, Standing: f.Standing, Verdict: f.Verdict, Headline: f.Headline,
		Overdue: f.Overdue, Emergency: f.Emergency, Placed: spanOf(f.Placed), Model: f.Model.Name, Asked: f.Asked,
		Waiting: filter.MaxDay, StepOn: filter.MaxDay, PutOff: filter.MaxDay, TaskStatus: seen.Status, TaskOwner: seen.Owner}
	l.InHospital = a.FollowUp.InHospital != nil && !a.Person.Deceased
	l.Unreachable = a.FollowUp.Reachable != nil && !*a.FollowUp.Reachable && !a.Person.Deceased
	l.contacts(a.FollowUp.Contacts)
	l.Lost = l.Attempts >= AttemptsToLose && f.Verdict != "closed"
	if r.Until > asOf && (r.Reason == draft.Declined || r.Reason == draft.Wanted) {
		l.PutOff = r.Until
	}
	l.Owner = owner(f, r, seen)
	l.Rank = rank(f, r, seen, l.PutOff)
	if l.Rank < RankRests && r.Round > 0 {
		l.Waiting = r.OpenedOn
	}
	l.Step, l.StepOn = step(a, f, r, seen, l, asOf)
	return l
}

// Search gives what the search looks through.
func (l Line) Search() string {
	return strings.ToLower(strings.Join([]string{l.Name, l.Born, l.Patient, l.Model}, " "))
}

// SortDay orders lines of one rank: since when somebody waits, else the next day to look.
func (l Line) SortDay() filter.Day {
	if l.Waiting < filter.MaxDay {
		return l.Waiting
	}
	return l.StepOn
}

// contacts counts the attempts in vain since the patient was last reached, of those after this filter was placed.
func (l *Line) contacts(contacts []assess.Contact) {
	l.LastContact = filter.MaxDay
	for _, c := range contacts {
		day := spanOf(&c.When)
		if l.Placed.Known() && day.Known() && day.Latest < l.Placed.Earliest {
			continue
		}
		l.LastContact, l.LastReached = day.Latest, c.Reached
		if l.Attempts++; c.Reached {
			l.Attempts = 0
		}
	}
}

// byOthers reports whether somebody else has requested or booked the retrieval, so that nothing is asked here.
func byOthers(f assess.Filter, r draft.Referral) bool {
	return r.Reason == draft.AskedAlready || r.Round == 0 && (f.Asked == "requested" || f.Asked == "booked")
}

func rank(f assess.Filter, r draft.Referral, seen draft.Seen, putOff filter.Day) int {
	open := r.Round > 0 && r.Reason == draft.Wanted
	task := draft.StateOf(seen.Status)
	theirs := open && (task == draft.TaskMovedOn || r.EndedOn > 0)
	switch {
	case f.Verdict == "closed":
		return RankClosed
	case f.Emergency:
		return RankEmergency
	case f.Verdict == "urgent":
		return RankUrgent
	case f.Verdict == "keep":
		return RankKeep
	case f.Verdict == "wait":
		return RankWait
	case putOff < filter.MaxDay, theirs, byOthers(f, r):
		return RankRests
	case f.Overdue, open && draft.Urgency(r.Priority) >= draft.Urgency("asap"):
		return RankSoon
	case f.Verdict == "clarify":
		return RankClarify
	}
	return RankRoutine
}

// owner says who has it in hand. A Task that nobody took up is with whom it was written for.
func owner(f assess.Filter, r draft.Referral, seen draft.Seen) string {
	if draft.StateOf(seen.Status) == draft.TaskMovedOn && seen.Owner != "" {
		return seen.Owner
	}
	switch {
	case byOthers(f, r) && f.Verdict != "closed":
		return "Others, outside this service"
	case r.Reason != draft.Wanted || r.Round == 0 || slices.Contains([]string{"closed", "wait", "keep"}, f.Verdict):
		return ""
	case r.To == draft.ToCoordinator:
		return "Coordinator"
	}
	return "Retrieval clinic"
}

// spanOf reads days of an answer; Unknown where neither side is known.
func spanOf(r *assess.Range) filter.Span {
	s := filter.Unknown()
	if r == nil {
		return s
	}
	if r.Earliest != nil {
		if d, err := filter.ParseDay(*r.Earliest); err == nil {
			s.Earliest = d
		}
	}
	if r.Latest != nil {
		if d, err := filter.ParseDay(*r.Latest); err == nil {
			s.Latest = d
		}
	}
	return s
}
