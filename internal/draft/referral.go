// Package draft decides, for one filter, whether a referral should stand in the record, and which round and revision
// of it: it compares what the assessment wants with what was asked before. It owns the life of a referral. It must
// never do I/O or read a clock, and it knows nothing of FHIR.
package draft

import "dwellwatch/internal/filter"

// Addressee says who the Task is for.
type Addressee string

const (
	ToClinic      Addressee = "clinic"      // the retrieval clinic: refer, urgent, review
	ToCoordinator Addressee = "coordinator" // clarify: confirm whether a filter is in
)

// Reason says why a referral is no longer wanted. The empty Reason means that it is wanted.
type Reason string

const (
	Wanted       Reason = ""
	Removed      Reason = "removed"       // the filter came out
	Deceased     Reason = "deceased"      // the patient died
	Retracted    Reason = "retracted"     // the record took the filter back
	Merged       Reason = "merged"        // the same filter as another key
	Answered     Reason = "answered"      // a clarify question the record has since answered
	NotDue       Reason = "not-due"       // wait or keep: nothing to ask now
	AskedAlready Reason = "asked-already" // somebody else has requested or booked it
	Declined     Reason = "declined"      // a person decided with us not to ask before a day
	NoContext    Reason = "no-context"    // the patient's context has not been read yet
)

// Task states as FHIR's task-status names them, as far as a referral needs to tell them apart.
const (
	TaskNone     = ""
	TaskDraft    = "draft"
	TaskMovedOn  = "moved-on" // people took it: received, accepted, ready, in-progress, on-hold
	TaskDeclined = "declined" // people rejected or cancelled it, or called it an error
	TaskDone     = "done"     // people completed it or it failed
)

// TaskDeleted stands for the status of a Task that was deleted from the record.
const TaskDeleted = "deleted"

// Seen is our own Task as the record shows it.
type Seen struct {
	Status   string // http://hl7.org/fhir/task-status
	Priority string
	Owner    string // whom the record shows as its owner; it decides nothing
}

// Want is what one assessment asks for one filter on one day.
type Want struct {
	Key      string
	Patient  string // reference of the patient whom the Task is for
	Reason   Reason // Wanted or why not
	To       Addressee
	Priority string // routine | asap | urgent | stat (http://hl7.org/fhir/request-priority)
	DueDays  int    // days from asOf to the due day, by rules.md
	Meaning  string // digest of meaning: changes exactly when the document's content changes
	Question string // digest of the parts whose change makes a declined referral worth asking again
	BasedOn  []string
}

// Referral is the state of one filter's referral as it is saved: what should stand in the record.
type Referral struct {
	Key      string     `json:"key"`
	Patient  string     `json:"patient,omitempty"` // whom the Task of this round is for
	Round    int        `json:"round"`             // 0: never asked
	Revision int        `json:"revision"`          // of the document within the round, from 1
	Reason   Reason     `json:"reason"`
	To       Addressee  `json:"to"`
	Priority string     `json:"priority"`
	Opened   string     `json:"opened,omitempty"` // the priority with which the round began
	OpenedOn filter.Day `json:"openedOn"`         // asOf of the round's first revision
	DueOn    filter.Day `json:"dueOn"`
	// DueDays is how many days the rules give for what is asked.
	DueDays int `json:"dueDays,omitempty"`
	// Again is the status with which people ended the round before, where the same question is asked once more; "" otherwise.
	Again string `json:"again,omitempty"`
	// EndedOn is the day on which people were first seen to have ended the Task; 0 while they have not.
	EndedOn filter.Day `json:"endedOn,omitempty"`
	// Escalated: nobody took the draft up in time; a routine one was raised to asap.
	Escalated bool `json:"escalated,omitempty"`
	// Until is the day to which a person put the referral off, or declined it; 0 where nobody did. By and Why are who and for
	// what reason.
	Until filter.Day `json:"until,omitempty"`
	By    string     `json:"by,omitempty"`
	Why   string     `json:"why,omitempty"`
	// Was is the reason of before the key was merged into another: what a person had declined, put off or approved holds again when
	// the merge is taken back.
	Was Reason `json:"was,omitempty"`
	// Restored: the key was merged into another and is by itself again, in the round that people had taken up or ended, and so is its document.
	Restored bool `json:"restored,omitempty"`
	// Approved: a person approved the proposal of the round before, and this round is the order. ApprovedBy says who.
	Approved   bool     `json:"approved,omitempty"`
	ApprovedBy string   `json:"approvedBy,omitempty"`
	Meaning    string   `json:"meaning"`
	Question   string   `json:"question"`
	BasedOn    []string `json:"basedOn"`
}
