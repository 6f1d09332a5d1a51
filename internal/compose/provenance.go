package compose

import (
	"encoding/json"
	"fmt"
	"time"

	"dwellwatch/internal/fault"
)

// http://hl7.org/fhir/R4/provenance.html, with the elements that we write.
type provenance struct {
	ResourceType string      `json:"resourceType"`
	ID           string      `json:"id,omitempty"`
	Contained    []device    `json:"contained"`
	Target       []reference `json:"target"`
	Recorded     string      `json:"recorded"`
	Activity     concept     `json:"activity"`
	Agent        []agent     `json:"agent"`
	Entity       []entity    `json:"entity,omitempty"`
}

type agent struct {
	Type       concept    `json:"type"`
	Who        reference  `json:"who"`
	OnBehalfOf *reference `json:"onBehalfOf,omitempty"`
}

type entity struct {
	Role string    `json:"role"`
	What reference `json:"what"`
}

// Provenance says that this software made the targets, and from which entries.
func Provenance(d Document, s Site, now time.Time, targets []string) ([]byte, error) {
	return ProvenanceWithID(d, s, now, targets, "")
}

// ProvenanceWithID is Provenance for one that the record holds already under id and that must be put right.
func ProvenanceWithID(d Document, s Site, now time.Time, targets []string, id string) ([]byte, error) {
	about, err := d.check()
	if err != nil {
		return nil, err
	}
	if len(targets) == 0 {
		return nil, fmt.Errorf("a Provenance has a target: %w", fault.Invalid)
	}
	p := provenance{
		ResourceType: "Provenance",
		ID:           id,
		Contained:    s.software(),
		Target:       references(targets),
		Recorded:     instant(now),
		Activity: concept{Coding: []coding{{
			System: "http://terminology.hl7.org/CodeSystem/v3-DataOperation", Code: "CREATE", Display: "create"}}},
		Agent: []agent{{
			Type: concept{Coding: []coding{{
				System: "http://terminology.hl7.org/CodeSystem/provenance-participant-type", Code: "assembler",
				Display: "Assembler"}}},
			Who: reference{"#" + softwareID}, OnBehalfOf: referenceOrNone(s.Custodian)}},
	}
	for _, ref := range about.evidence() {
		p.Entity = append(p.Entity, entity{"source", reference{ref}})
	}
	return json.Marshal(p)
}
