// Package entry builds the FHIR R4 resources of the feed "local": what people enter at the worklist. It writes what
// internal/chart reads. It is pure: ids and times are arguments. It must never build anything that is meant for the record,
// where only our own Task, DocumentReference and Provenance are written.
package entry

import (
	"encoding/json"
	"fmt"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/fault"
)

// Author is who enters something.
type Author struct {
	Name      string
	Reference string // in the record, e.g. "Practitioner/7"; "" where it is not known
}

// About is what an entry is about. References are as evidence names them.
type About struct {
	Patient string
	Focus   string // the device, or else the placement; "" where neither is known
}

// Head is what every entry has.
type Head struct {
	ID string
	About
	By Author
	At time.Time
	// Why is the reason or note; what may be left out is left out where it is "".
	Why string
}

// object is one JSON object of a resource.
type object map[string]any

func coding(system, code string) object { return object{"system": system, "code": code} }

func concept(text string, codings ...object) object {
	o := object{}
	if len(codings) > 0 {
		o["coding"] = codings
	}
	if text != "" {
		o["text"] = text
	}
	return o
}

func own(code, text string) object { return concept(text, coding(chart.EntrySystem, code)) }

func reference(ref string) object { return object{"reference": ref} }

// actor names the author as a Reference.
func (a Author) actor() object {
	o := object{}
	if a.Name != "" {
		o["display"] = a.Name
	}
	if a.Reference != "" {
		o["reference"] = a.Reference
	}
	return o
}

// notes gives the reason as an Annotation with its author.
func (h Head) notes() []object {
	if h.Why == "" {
		return nil
	}
	return []object{{"authorString": h.By.Name, "time": instant(h.At), "text": h.Why}}
}

// resource writes a resource of a type.
func (h Head) resource(kind string, o object) (fhir.Resource, error) {
	if h.ID == "" || h.Patient == "" || h.By.Name == "" || h.At.IsZero() {
		return fhir.Resource{}, fmt.Errorf("an entry has an id, a patient, an author and a time: %w", fault.Invalid)
	}
	o["resourceType"], o["id"], o["meta"] = kind, h.ID, object{"lastUpdated": instant(h.At)}
	for name, v := range o {
		if list, ok := v.([]object); ok && len(list) == 0 {
			delete(o, name)
		}
	}
	raw, err := json.Marshal(o)
	if err != nil {
		return fhir.Resource{}, err
	}
	return fhir.Decode(raw)
}

// instant writes a point in time with milliseconds and zone, so that of two entries of one second the later is the newer.
func instant(t time.Time) string { return t.Format("2006-01-02T15:04:05.000Z07:00") }

// Contact is an attempt to reach the patient.
type Contact struct {
	Head
	How     string // "telephone" | "letter" | "e-mail" | "in person"
	Reached bool
}

// Hows are the ways of Contact.How.
func Hows() []string { return []string{"telephone", "letter", "e-mail", "in person"} }

// Resource gives a Communication: completed where somebody was reached, not-done where nobody was.
// http://hl7.org/fhir/R4/communication.html
func (c Contact) Resource() (fhir.Resource, error) {
	const modes = "http://terminology.hl7.org/CodeSystem/v3-ParticipationMode"
	mode := map[string]string{"telephone": "PHONE", "letter": "MAILWRIT", "e-mail": "EMAILWRIT", "in person": "PHYSICAL"}[c.How]
	if mode == "" {
		return fhir.Resource{}, fmt.Errorf("a contact has a way: %w", fault.Invalid)
	}
	o := object{
		"status": "completed", "category": []object{own(chart.CodeContact, "Attempt to reach the patient about a vena cava filter")},
		"medium": []object{concept(c.How, coding(modes, mode))}, "subject": reference(c.Patient), "recipient": []object{reference(c.Patient)},
		"sent": instant(c.At), "sender": c.By.actor(), "note": c.notes(),
	}
	if !c.Reached {
		reason := c.Why
		if reason == "" {
			reason = "Nobody was reached"
		}
		o["status"], o["statusReason"] = "not-done", concept(reason)
	}
	if c.Focus != "" {
		o["about"] = []object{reference(c.Focus)}
	}
	return c.resource("Communication", o)
}

// Reassessment is a clinician's word on whether the filter is still needed.
type Reassessment struct {
	Head
	Finding string // chart.CodeStillNeeded, chart.CodeNoLongerNeeded or chart.CodeStays
	Until   string // of CodeStillNeeded: the day to look again
}

// Resource gives a ClinicalImpression. http://hl7.org/fhir/R4/clinicalimpression.html
func (a Reassessment) Resource() (fhir.Resource, error) {
	words := map[string]string{chart.CodeStillNeeded: "The filter is still needed", chart.CodeNoLongerNeeded: "The filter is no longer needed",
		chart.CodeStays: "The filter is to stay"}[a.Finding]
	if words == "" || a.Finding == chart.CodeStillNeeded && a.Until == "" {
		return fhir.Resource{}, fmt.Errorf("a re-assessment has a finding, and a day to look again where the filter is still needed: %w", fault.Invalid)
	}
	o := object{
		"status": "completed", "code": own(chart.CodeReassessment, "Re-assessment of a vena cava filter"), "subject": reference(a.Patient),
		"effectiveDateTime": day(a.At), "date": instant(a.At), "assessor": a.By.actor(), "summary": words + ".",
		"finding": []object{{"itemCodeableConcept": own(a.Finding, words)}}, "note": a.notes(),
	}
	if a.Focus != "" {
		o["supportingInfo"] = []object{reference(a.Focus)}
	}
	if a.Until != "" {
		o["extension"] = []object{{"url": chart.LookAgainExtension, "valueDate": a.Until}}
	}
	return a.resource("ClinicalImpression", o)
}

func day(t time.Time) string { return t.Format(time.DateOnly) }
