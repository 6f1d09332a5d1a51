package compose

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

// Closing says how a Task ends by our hand.
type Closing struct {
	Status string // cancelled | completed
	Code   string // of ClosedSystem
	Text   string
}

// DuplicateOf closes a surplus copy. id is that of the Task that stays.
func DuplicateOf(id string) Closing {
	return Closing{"cancelled", "duplicate", "duplicate of Task/" + id}
}

// ApprovedAs closes a proposal that a person approved. id is that of the order; "" where it is written at the same time.
func ApprovedAs(id string) Closing {
	text := "Approved; the order stands in its place."
	if id != "" {
		text = "Approved; Task/" + id + " stands in its place as the order."
	}
	return Closing{"cancelled", "approved", text}
}

// OtherPatient closes a Task in the chart of somebody whom the record no longer takes for the same person.
func OtherPatient() Closing {
	return Closing{"cancelled", "other-patient", "The record says that the filter is another patient's."}
}

// ClosingFor gives the words for a referral that is no longer wanted; status is what the Task becomes. ok is false for a
// Reason that closes nothing.
func ClosingFor(reason draft.Reason, status string) (c Closing, ok bool) {
	words := map[draft.Reason]string{
		draft.Removed:      "The record says that the filter has been removed.",
		draft.Deceased:     "The record says that the patient has died.",
		draft.Retracted:    "The record took back the entries that told of this filter.",
		draft.Merged:       "This filter turned out to be the same as another one; see that one's Task.",
		draft.Answered:     "The record has since answered the question.",
		draft.NotDue:       "Nothing to ask at present; the filter stays under watch.",
		draft.AskedAlready: "Removal has been requested or booked by others.",
		draft.Declined:     "A person decided not to ask for now.",
	}
	text, ok := words[reason]
	return Closing{status, string(reason), text}, ok
}

// DeclinedBy says who decided not to ask, why, and from which day it is asked again.
func DeclinedBy(r draft.Referral) Closing {
	return Closing{"cancelled", string(draft.Declined), "Declined by " + r.By + ": " + r.Why + " To be asked again from " + r.Until.String() + "."}
}

// Close ends a held Task; everything else in it stays.
func Close(current []byte, c Closing, now time.Time) ([]byte, error) {
	e, err := editOf(current, "Task")
	if err != nil {
		return nil, err
	}
	reason, err := json.Marshal(concept{Coding: []coding{{System: ClosedSystem, Code: c.Code}}, Text: c.Text})
	if err != nil {
		return nil, err
	}
	e.setString("status", c.Status)
	e.set("statusReason", string(reason))
	e.touch(instant(now))
	return e.raw, e.err
}

// Restate sets the status of a held DocumentReference: superseded or entered-in-error, or current again. Everything else in it stays.
func Restate(current []byte, status string) ([]byte, error) {
	e, err := editOf(current, "DocumentReference")
	if err != nil {
		return nil, err
	}
	e.setString("status", status)
	return e.raw, e.err
}

func editOf(current []byte, typ string) (*edit, error) {
	if !gjson.ValidBytes(current) || gjson.GetBytes(current, "resourceType").String() != typ {
		return nil, fmt.Errorf("not a %s: %w", typ, fault.Invalid)
	}
	return &edit{raw: slices.Clone(current)}, nil
}
