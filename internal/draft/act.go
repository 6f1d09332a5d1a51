package draft

import (
	"errors"
	"fmt"

	"dwellwatch/internal/filter"
)

// ActKind is what a person decides with us about a referral.
type ActKind string

const (
	Approve ActKind = "approve" // the proposal becomes an order
	Decline ActKind = "decline" // do not ask before a day
	Snooze  ActKind = "snooze"  // leave the draft, look again on a day
)

// Act is one decision of one person.
type Act struct {
	Kind  ActKind
	By    string     // who decides; of all kinds
	Why   string     // of decline and snooze
	Until filter.Day // of decline and snooze: the day to return to it
}

// LongestDays and LongestPermanentDays bound how far away the day of a decline or snooze may lie; the longer one holds where the
// clinicians have decided that the filter stays.
const (
	LongestDays          = 90
	LongestPermanentDays = 365
)

// Decide applies a person's decision to what stands on asOf. permanent says that the filter is to stay by the clinicians' decision.
// What was put off and is approved all the same is due by the rules from that day on.
// The error names everything that is wrong with the act; r is then unchanged.
func Decide(r Referral, act Act, permanent bool, asOf filter.Day) (Referral, error) {
	var errs []error
	if r.Round == 0 || r.Reason != Wanted || r.EndedOn > 0 {
		errs = append(errs, errors.New("referral: nothing stands that could be decided on"))
	}
	if act.By == "" {
		errs = append(errs, errors.New("by: a decision has a person"))
	}
	longest := LongestDays
	if permanent {
		longest = LongestPermanentDays
	}
	switch act.Kind {
	case Decline, Snooze:
		if act.Why == "" {
			errs = append(errs, errors.New("why: a decision to wait has a reason"))
		}
		if act.Until <= asOf || act.Until > asOf.Add(longest) {
			errs = append(errs, fmt.Errorf("until: the day to return to it lies 1 to %d days ahead", longest))
		}
		if Urgency(r.Priority) >= Urgency("urgent") {
			// The next assessment would undo it: urgent breaks every decision to wait.
			errs = append(errs, errors.New("kind: an urgent referral is not put off here"))
		}
		if r.Approved && act.Kind == Snooze {
			errs = append(errs, errors.New("kind: an order is not put off here, but where it was taken up"))
		}
	case Approve:
		if r.Approved || r.To != ToClinic {
			errs = append(errs, errors.New("kind: only a proposal to the clinic is approved, and once"))
		}
	default:
		errs = append(errs, errors.New("kind: approve, decline or snooze"))
	}
	if len(errs) > 0 {
		return r, errors.Join(errs...)
	}
	switch act.Kind {
	case Decline:
		r.Reason, r.Until, r.By, r.Why = Declined, act.Until, act.By, act.Why
	case Snooze:
		r.Until, r.By, r.Why, r.DueOn = act.Until, act.By, act.Why, act.Until
		r.Revision++
	case Approve:
		due := asOf.Add(r.DueDays)
		if r.Until == 0 {
			due = min(due, r.DueOn)
		}
		r.DueOn = due
		r.Round, r.Revision, r.Approved, r.ApprovedBy = r.Round+1, 1, true, act.By
		r.Until, r.By, r.Why, r.Escalated, r.OpenedOn, r.Opened = 0, "", "", false, asOf, r.Priority
	}
	return r, nil
}
