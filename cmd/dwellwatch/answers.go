package main

import (
	"encoding/json"
	"errors"
	"fmt"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// answers are what an assessment of loose resources says: one JSON object per patient.
type answers struct {
	patients [][]byte
	// nobody names what is unread where there is not exactly one patient whose answer could say it; nil where all is read.
	nobody []byte
}

// nobodysAnswer has the members that an answer about a patient has, and no patient.
type nobodysAnswer struct {
	AsOf    string          `json:"asOf"`
	Patient *string         `json:"patient"` // always null
	Policy  string          `json:"policy"`
	Note    string          `json:"note"`
	Filters []assess.Filter `json:"filters"`
	Unread  []assess.Unread `json:"unread"`
}

// assessAll assesses every patient of loose resources. unread is what the caller could not read of the input; together with
// the entries that name nobody it goes into the one patient's answer, or into nobody's where there are none or several.
func assessAll(resources []fhir.Resource, unread []assess.Unread, basis assess.Basis, on filter.Day) (answers, error) {
	var room assess.Room
	records := room.Split(resources)
	unread = append(unread, assess.Unnamed(resources, records, basis)...)
	var out answers
	for _, rec := range records {
		a := room.Patient(rec, basis, on).Assessment
		if len(records) == 1 {
			a.Unread = append(a.Unread, unread...)
		}
		body, err := json.Marshal(a)
		if err != nil {
			return answers{}, fmt.Errorf("write an assessment: %w", err)
		}
		out.patients = append(out.patients, body)
	}
	if len(records) == 1 || len(records) > 1 && len(unread) == 0 {
		return out, nil
	}
	n := nobodysAnswer{AsOf: on.String(), Policy: basis.Policy.Name, Filters: []assess.Filter{}, Unread: append([]assess.Unread{}, unread...),
		Note: "What is unread here may be about any patient of the input, or about none."}
	if len(records) == 0 {
		n.Note = "No entry names a patient: nobody was assessed."
	}
	var err error
	if out.nobody, err = json.Marshal(n); err != nil {
		return answers{}, fmt.Errorf("write what is unread: %w", err)
	}
	return out, nil
}

// lines gives every object of the answer, nobody's last.
func (a answers) lines() [][]byte {
	if a.nobody == nil {
		return a.patients
	}
	return append(a.patients, a.nobody)
}

// unreadOf names every fault of an input; where says in which input it is.
func unreadOf(where string, err error) []assess.Unread {
	var invalid *fhir.Invalid
	if !errors.As(err, &invalid) || len(invalid.Issues) == 0 {
		return []assess.Unread{{Resource: where, Reason: err.Error()}}
	}
	var out []assess.Unread
	for _, i := range invalid.Issues {
		out = append(out, assess.Unread{Resource: where, Path: i.Expression, Reason: i.Text})
	}
	return out
}
