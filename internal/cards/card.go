// Package cards turns an assessment into what a clinician is told in the record: a CDS Hooks card, or nothing. It is pure:
// no I/O, no clock; the same assessment, hook and day give the same card. It must never name a patient, put anything of one
// into a URL, or propose a second request where one was asked.
package cards

import "encoding/json"

// Card is one card of CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/#card-attributes). No member is null or empty.
type Card struct {
	UUID              string       `json:"uuid,omitempty"`
	Summary           string       `json:"summary"`
	Detail            string       `json:"detail,omitempty"`
	Indicator         string       `json:"indicator"`
	Source            Source       `json:"source"`
	Suggestions       []Suggestion `json:"suggestions,omitempty"`
	SelectionBehavior string       `json:"selectionBehavior,omitempty"`
	OverrideReasons   []Coding     `json:"overrideReasons,omitempty"`
	Links             []Link       `json:"links,omitempty"`
}

// Source says where a card comes from.
type Source struct {
	Label string  `json:"label"`
	URL   string  `json:"url,omitempty"`
	Topic *Coding `json:"topic,omitempty"`
}

// Coding is a code with words.
type Coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

// Suggestion is something the clinician can take over with one click.
type Suggestion struct {
	Label   string   `json:"label"`
	UUID    string   `json:"uuid,omitempty"`
	Actions []Action `json:"actions,omitempty"`
}

// Action is one change that a suggestion makes.
type Action struct {
	Type        string          `json:"type"`
	Description string          `json:"description"`
	Resource    json.RawMessage `json:"resource,omitempty"`
}

// Link leads to a page.
type Link struct {
	Label string `json:"label"`
	URL   string `json:"url"`
	Type  string `json:"type"`
}

// The indicators of CDS Hooks.
const (
	info     = "info"
	warning  = "warning"
	critical = "critical"
)

// Code systems of our own.
const (
	TopicSystem    = "urn:dwellwatch:card"          // what a card is about: its Kind
	OverrideSystem = "urn:dwellwatch:card-override" // why a card was put aside
)

// Kind is what a card is about.
type Kind string

const (
	Urgent    Kind = "urgent"
	Overdue   Kind = "overdue"
	Clarify   Kind = "clarify"
	Discharge Kind = "discharge"
	Started   Kind = "anticoagulant-started"
	Stopped   Kind = "anticoagulant-stopped"
	Booked    Kind = "retrieval-booked"
)

// title says a kind in words.
func (k Kind) title() string {
	switch k {
	case Urgent:
		return "Vena cava filter: urgent"
	case Overdue:
		return "Vena cava filter: retrieval overdue"
	case Clarify:
		return "Vena cava filter: is one in?"
	case Discharge:
		return "Vena cava filter at discharge"
	case Started:
		return "Anticoagulant started beside a vena cava filter"
	case Stopped:
		return "Anticoagulant stopped beside a vena cava filter"
	case Booked:
		return "Retrieval of a vena cava filter"
	}
	return ""
}

// Codes of OverrideSystem.
const (
	NotNow = "not-now" // look again on a day; with that day, a person and words it puts the referral off
	Other  = "other"   // any reason that is none of ours
)

// Overrides lists the reasons that a clinician can choose from.
func Overrides() []Coding {
	return []Coding{
		{OverrideSystem, NotNow, "Not now: look again later"},
		{OverrideSystem, "arranged", "The retrieval is arranged already"},
		{OverrideSystem, "stays", "The filter is meant to stay"},
		{OverrideSystem, "no-filter", "No filter is in, or the record is wrong"},
		{OverrideSystem, "not-mine", "Another team decides on the filter"},
	}
}
