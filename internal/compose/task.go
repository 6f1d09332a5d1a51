package compose

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
)

// http://hl7.org/fhir/R4/task.html, with the elements that we write.
type task struct {
	ResourceType  string       `json:"resourceType"`
	Contained     []device     `json:"contained,omitempty"`
	Identifier    []identifier `json:"identifier"`
	BasedOn       []reference  `json:"basedOn,omitempty"`
	Status        string       `json:"status"`
	Intent        string       `json:"intent"`
	Priority      string       `json:"priority"`
	Code          concept      `json:"code"`
	Description   string       `json:"description"`
	Focus         *reference   `json:"focus,omitempty"`
	For           reference    `json:"for"`
	AuthoredOn    string       `json:"authoredOn"`
	LastModified  string       `json:"lastModified"`
	Requester     requester    `json:"requester"`
	PerformerType []concept    `json:"performerType,omitempty"`
	Owner         *reference   `json:"owner,omitempty"`
	ReasonCode    concept      `json:"reasonCode"`
	Note          []annotation `json:"note,omitempty"`
	Restriction   *restriction `json:"restriction,omitempty"`
	Input         []input      `json:"input,omitempty"`
}

// requester is the software that drafted a proposal, or by name the person who approved an order.
type requester struct {
	Reference string `json:"reference,omitempty"`
	Display   string `json:"display,omitempty"`
}

type annotation struct {
	AuthorString string `json:"authorString"`
	Text         string `json:"text"`
}

type restriction struct {
	Period period `json:"period"`
}

type input struct {
	Type           concept   `json:"type"`
	ValueReference reference `json:"valueReference"`
}

// priorities are the codes of http://hl7.org/fhir/request-priority.
func priorities() []string { return []string{"routine", "urgent", "asap", "stat"} }

// Task builds the Task that should stand for a referral, as a new draft, or as an order where a person has approved it. docRef is the reference to its document
// ("DocumentReference/x", or the urn:uuid of a transaction's entry); "" leaves it out.
func Task(d Document, s Site, now time.Time, docRef string) ([]byte, error) {
	t, err := newTask(d, s, now, docRef)
	if err != nil {
		return nil, err
	}
	return json.Marshal(t)
}

func newTask(d Document, s Site, now time.Time, docRef string) (task, error) {
	about, err := d.check()
	if err != nil {
		return task{}, err
	}
	instance, err := s.TaskInstance(d.Referral)
	if err != nil {
		return task{}, err
	}
	if !slices.Contains(priorities(), d.Referral.Priority) {
		return task{}, fmt.Errorf("a referral has a request priority: %w", fault.Invalid)
	}
	t := task{
		ResourceType: "Task",
		Contained:    s.software(),
		Identifier:   []identifier{{SeriesSystem, d.Referral.Key}, {TaskSystem, instance}},
		BasedOn:      references(about.known(d.Referral.BasedOn)),
		Status:       "draft",
		Intent:       "proposal",
		Priority:     d.Referral.Priority,
		Code:         concept{Coding: []coding{{System: "http://hl7.org/fhir/CodeSystem/task-code", Code: "fulfill"}}},
		Description:  description(about.filter.Verdict, about.filter.Emergency) + again(d.Referral),
		Focus:        referenceOrNone(about.focus()),
		For:          reference{about.patient},
		AuthoredOn:   instant(now),
		LastModified: instant(now),
		Requester:    requester{Reference: "#" + softwareID},
		ReasonCode: concept{Coding: []coding{{System: VerdictSystem, Code: about.filter.Verdict}},
			Text: about.filter.Headline},
	}
	if d.Referral.Approved {
		t.order(d)
	}
	owner, kind := s.addressee(d.Referral.To)
	if t.Owner = referenceOrNone(owner); owner == "" {
		t.PerformerType = []concept{kind.element()}
	}
	if due := dayOrNone(d.Referral.DueOn); due != "" {
		t.Restriction = &restriction{period{End: due}}
	}
	for _, ref := range about.evidence() {
		t.Input = append(t.Input, input{inputType(inputEvidence), reference{ref}})
	}
	if docRef != "" {
		t.Input = append(t.Input, input{inputType(inputDocument), reference{docRef}})
	}
	return t, nil
}

// order makes the Task the order that a person approved. A Task's intent never changes, so it is a Task of its own, based on the
// proposal (http://hl7.org/fhir/R4/task-definitions.html#Task.intent).
func (t *task) order(d Document) {
	t.Status, t.Intent = "requested", "order"
	t.Description = strings.Replace(t.Description, draftNote, " Approved by a clinician from a draft.", 1)
	if d.Proposal != "" {
		t.BasedOn = append([]reference{{"Task/" + d.Proposal}}, t.BasedOn...)
	}
	if d.Referral.ApprovedBy != "" {
		// The person asks; the software that drafted is told by the Provenance.
		t.Contained, t.Requester = nil, requester{Display: d.Referral.ApprovedBy}
		t.Note = []annotation{{d.Referral.ApprovedBy, "Approved the proposal as an order."}}
	}
}

func inputType(code string) concept {
	text := "evidence"
	if code == inputDocument {
		text = "work-up document"
	}
	return concept{Coding: []coding{{System: InputSystem, Code: code}}, Text: text}
}

// addressee gives the owner a referral is for, or else the kind of performer who should take it.
func (s Site) addressee(to draft.Addressee) (owner string, kind Concept) {
	owner, kind = s.ClinicOwner, s.ClinicType
	words := "Clinic that removes vena cava filters"
	if to == draft.ToCoordinator {
		owner, kind = s.CoordinatorOwner, s.CoordinatorType
		words = "Coordinator who follows patients with vena cava filters"
	}
	if kind == (Concept{}) {
		kind = Concept{"http://terminology.hl7.org/CodeSystem/task-performer-type", "performer", words}
	}
	return owner, kind
}

// again says why the same question is asked once more.
func again(r draft.Referral) string {
	how, ok := map[string]string{"completed": "was completed", "failed": "failed", "rejected": "was rejected", "cancelled": "was cancelled",
		"entered-in-error": "was called an error", draft.TaskDeleted: "was deleted"}[r.Again]
	if !ok {
		return ""
	}
	return " Asked again: the Task before this one " + how + ", and nothing on record says that the filter came out."
}

const draftNote = " Draft for clinician review."

// description says in words for a work list what is asked.
func description(verdict string, emergency bool) string {
	switch {
	case verdict == "urgent" && emergency:
		return "Vena cava filter: emergency. Telephone now; this is not an emergency channel." + draftNote
	case verdict == "urgent":
		return "Vena cava filter: urgent review for removal. Telephone now; this is not an emergency channel." + draftNote
	case verdict == "refer":
		return "Vena cava filter: referral to consider removal." + draftNote
	case verdict == "review":
		return "Vena cava filter: review whether it should come out." + draftNote
	case verdict == "clarify":
		return "Confirm whether a vena cava filter is in." + draftNote
	}
	return "Vena cava filter: referral." + draftNote
}
