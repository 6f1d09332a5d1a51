package compose

import (
	"crypto/sha1" //nolint:gosec // FHIR defines Attachment.hash as SHA-1; it guards against damage, not against malice
	"encoding/base64"
	"encoding/json"
	"fmt"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/fault"
)

// http://hl7.org/fhir/R4/documentreference.html, with the elements that we write.
type documentReference struct {
	ResourceType     string           `json:"resourceType"`
	Contained        []device         `json:"contained"`
	MasterIdentifier identifier       `json:"masterIdentifier"`
	Identifier       []identifier     `json:"identifier"`
	Status           string           `json:"status"`
	DocStatus        string           `json:"docStatus"`
	Type             concept          `json:"type"`
	Category         []concept        `json:"category"`
	Subject          reference        `json:"subject"`
	Date             string           `json:"date"`
	Author           []reference      `json:"author"`
	Custodian        *reference       `json:"custodian,omitempty"`
	RelatesTo        []relatesTo      `json:"relatesTo,omitempty"`
	Description      string           `json:"description"`
	Content          []content        `json:"content"`
	Context          *documentContext `json:"context,omitempty"`
}

type relatesTo struct {
	Code   string    `json:"code"`
	Target reference `json:"target"`
}

type content struct {
	Attachment attachment `json:"attachment"`
}

type attachment struct {
	ContentType string `json:"contentType"`
	Language    string `json:"language"`
	Data        string `json:"data"`
	Size        int    `json:"size"`
	Hash        string `json:"hash"`
	Title       string `json:"title"`
	Creation    string `json:"creation"`
}

type documentContext struct {
	Period  *period     `json:"period,omitempty"`
	Related []reference `json:"related,omitempty"`
}

// DocumentReference builds the entry of one revision of the work-up document. replaces is the reference to the document
// it takes the place of; "" where it is the first.
func DocumentReference(d Document, s Site, now time.Time, pdf []byte, replaces string) ([]byte, error) {
	r, err := newDocumentReference(d, s, now, pdf, replaces)
	if err != nil {
		return nil, err
	}
	return json.Marshal(r)
}

func newDocumentReference(d Document, s Site, now time.Time, pdf []byte, replaces string) (documentReference, error) {
	about, err := d.check()
	if err != nil {
		return documentReference{}, err
	}
	instance, err := s.DocumentInstance(d.Referral)
	if err != nil {
		return documentReference{}, err
	}
	if len(pdf) == 0 {
		return documentReference{}, fmt.Errorf("a document has content: %w", fault.Invalid)
	}
	language := s.Language
	if language == "" {
		language = "en"
	}
	sum := sha1.Sum(pdf) //nolint:gosec // see the import
	r := documentReference{
		ResourceType:     "DocumentReference",
		Contained:        s.software(),
		MasterIdentifier: identifier{DocumentSystem, instance},
		Identifier:       []identifier{{SeriesSystem, d.Referral.Key}, {DocumentSystem, instance}},
		Status:           "current",
		DocStatus:        "preliminary",
		// LOINC codes of http://hl7.org/fhir/ValueSet/c80-doc-typecodes.
		Type: concept{Coding: []coding{
			{"http://loinc.org", "57133-1", "Referral note"},
			{"http://loinc.org", "63485-7", "Computer generated recommendation Document"}}},
		// The category that US Core asks of a clinical note.
		Category: []concept{{Coding: []coding{{
			System: "http://hl7.org/fhir/us/core/CodeSystem/us-core-documentreference-category",
			Code:   "clinical-note", Display: "Clinical Note"}}}},
		Subject:     reference{about.patient},
		Date:        instant(now),
		Author:      []reference{{"#" + softwareID}},
		Custodian:   referenceOrNone(s.Custodian),
		Description: "Work-up for a vena cava filter that may have to come out. Draft for clinician review.",
		Content: []content{{attachment{
			ContentType: "application/pdf", Language: language, Data: base64.StdEncoding.EncodeToString(pdf),
			Size: len(pdf), Hash: base64.StdEncoding.EncodeToString(sum[:]),
			Title: "Vena cava filter: work-up (draft)", Creation: instant(now)}}},
	}
	if d.Referral.Meaning != "" {
		r.Identifier = append(r.Identifier, identifier{MeaningSystem, d.Referral.Meaning})
	}
	if replaces != "" {
		r.RelatesTo = []relatesTo{{"replaces", reference{replaces}}}
	}
	ctx := documentContext{Period: placedPeriod(about.filter.Placed),
		Related: references(ofType(about.history(), "Device", "Procedure"))}
	if ctx.Period != nil || ctx.Related != nil {
		r.Context = &ctx
	}
	return r, nil
}

// placedPeriod is the time of the placement; nil where neither side is known.
func placedPeriod(r *assess.Range) *period {
	if r == nil || (r.Earliest == nil && r.Latest == nil) {
		return nil
	}
	p := period{}
	if r.Earliest != nil {
		p.Start = *r.Earliest
	}
	if r.Latest != nil {
		p.End = *r.Latest
	}
	return &p
}
