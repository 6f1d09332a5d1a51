package cdshooks

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"dwellwatch/fhir"
	"dwellwatch/internal/cards"
)

// request is a call of a hook (https://cds-hooks.hl7.org/2.0/#calling-a-cds-service), as far as it is used: fhirAuthorization,
// extension and what later versions add are not even read.
type request struct {
	hook     cards.Hook
	instance string
	server   string // FHIR base of the client; "" where it gives none
	user     string // Type/id
	patient  string // bare id
	stay     string // of encounter-discharge: the encounter
	sent     prefetched
	orders   []fhir.Resource // of order-sign
	booked   []fhir.Resource // of appointment-book: what is about to be
}

// envelope is the request as JSON. Members are read one by one, so that each fault has its path.
type envelope struct {
	Hook         json.RawMessage `json:"hook"`
	HookInstance json.RawMessage `json:"hookInstance"`
	FHIRServer   json.RawMessage `json:"fhirServer"`
	User         json.RawMessage `json:"user"` // before CDS Hooks 1.0 the user stood here
	Context      json.RawMessage `json:"context"`
	Prefetch     json.RawMessage `json:"prefetch"`
}

type hookContext struct {
	UserID       json.RawMessage `json:"userId"`
	PatientID    json.RawMessage `json:"patientId"`
	EncounterID  json.RawMessage `json:"encounterId"`
	DraftOrders  json.RawMessage `json:"draftOrders"`
	Appointments json.RawMessage `json:"appointments"`
}

// longest bounds the texts of a request that name something.
const longest = 1000

// parse reads the body of a call of the service for hook. Every fault is named with its path.
func parse(body []byte, hook cards.Hook) (request, error) {
	r := request{hook: hook}
	var e envelope
	if err := decodeJSON(body, &e); err != nil {
		return r, err
	}
	p := &parser{}
	if named := p.text(e.Hook, "hook", true); named != string(hook) && named != "" {
		p.fault("value", "hook", "this service answers the hook "+string(hook))
	}
	r.instance = p.text(e.HookInstance, "hookInstance", true)
	r.server = p.text(e.FHIRServer, "fhirServer", false)
	var in hookContext
	if p.object(e.Context, "context", true, &in) {
		r.user = p.text(in.UserID, "context.userId", len(e.User) == 0)
		if r.user == "" {
			r.user = p.text(e.User, "user", false)
		}
		r.patient = strings.TrimPrefix(p.text(in.PatientID, "context.patientId", true), "Patient/")
		if r.patient != "" && !fhir.ValidID(r.patient) {
			p.fault("value", "context.patientId", "this is not an id of FHIR")
		}
		switch hook {
		case cards.EncounterDischarge:
			r.stay = p.text(in.EncounterID, "context.encounterId", false)
		case cards.OrderSign:
			r.orders = p.bundle(in.DraftOrders, "context.draftOrders")
		case cards.AppointmentBook:
			if !missing(in.Appointments) {
				in.Appointments = listed(in.Appointments)
			}
			r.booked = p.bundle(in.Appointments, "context.appointments")
		}
	}
	r.sent = p.prefetch(e.Prefetch)
	if len(p.issues) > 0 {
		return r, &problem{http.StatusBadRequest, p.issues}
	}
	return r, nil
}

// decodeJSON reads one JSON object.
func decodeJSON(body []byte, into any) error {
	body = bytes.TrimSpace(bytes.TrimPrefix(body, []byte("\xef\xbb\xbf")))
	if !utf8.Valid(body) {
		return wrong(http.StatusBadRequest, "structure", "", "the body is not UTF-8")
	}
	if len(body) == 0 || body[0] != '{' {
		return wrong(http.StatusBadRequest, "structure", "", "the body is a JSON object")
	}
	err := json.Unmarshal(body, into)
	var kinds *json.UnmarshalTypeError
	switch {
	case errors.As(err, &kinds):
		return wrong(http.StatusBadRequest, "structure", kinds.Field, "a member is of another JSON kind than it should be")
	case err != nil:
		return wrong(http.StatusBadRequest, "structure", "", "the body is not JSON")
	}
	return nil
}

// parser gathers faults.
type parser struct{ issues []fhir.Issue }

func (p *parser) fault(code, path, text string) {
	p.issues = append(p.issues, fhir.Issue{Severity: "error", Code: code, Expression: path, Text: text})
}

// missing reports a member that is not there; null is no value.
func missing(raw json.RawMessage) bool { return len(raw) == 0 || string(raw) == "null" }

func (p *parser) text(raw json.RawMessage, path string, required bool) string {
	if missing(raw) {
		if required {
			p.fault("required", path, "this member is required")
		}
		return ""
	}
	var s string
	if json.Unmarshal(raw, &s) != nil {
		p.fault("structure", path, "a string was expected")
		return ""
	}
	switch {
	case len(s) > longest:
		p.fault("too-long", path, "this text is too long")
		return ""
	case strings.ContainsFunc(s, unicode.IsControl):
		p.fault("value", path, "control characters stand in no name")
		return ""
	case s == "" && required:
		p.fault("required", path, "this member is required and must not be empty")
	}
	return s
}

func (p *parser) object(raw json.RawMessage, path string, required bool, into any) bool {
	switch {
	case missing(raw):
		if required {
			p.fault("required", path, "this member is required")
		}
		return false
	case raw[0] != '{' || json.Unmarshal(raw, into) != nil:
		p.fault("structure", path, "an object was expected")
		return false
	}
	return true
}

// bundle reads a Bundle of the context: what cannot be read there cannot be answered.
func (p *parser) bundle(raw json.RawMessage, path string) []fhir.Resource {
	if missing(raw) {
		p.fault("required", path, "this member is required")
		return nil
	}
	r, b, err := loosely(raw)
	if err == nil && r.Type != "Bundle" {
		err = &fhir.Invalid{Issues: []fhir.Issue{{Severity: "error", Code: "structure", Text: "a Bundle was expected"}}}
	}
	if err != nil {
		p.invalid(err, path)
		return nil
	}
	var out []fhir.Resource
	for _, e := range b.Entries {
		if e.Fault != nil {
			p.invalid(e.Fault, path)
		} else if e.HasResource {
			out = append(out, named(e, len(out)))
		}
	}
	return out
}

// invalid adds the faults of a FHIR document at path.
func (p *parser) invalid(err error, path string) {
	var f *fhir.Invalid
	if !errors.As(err, &f) || len(f.Issues) == 0 {
		p.fault("structure", path, "this cannot be read")
		return
	}
	for _, i := range f.Issues[:min(len(f.Issues), maxFaults)] {
		_, rest, deeper := strings.Cut(i.Expression, ".")
		at := path
		if deeper {
			at += "." + rest
		}
		p.fault(i.Code, at, i.Text)
	}
}

// maxFaults keeps the answer to a hopeless document short.
const maxFaults = 20

// unnamedID begins the ids that named gives.
const unnamedID = "unnamed-"

// unnamed reports a resource that came without an id.
func unnamed(r fhir.Resource) bool { return strings.HasPrefix(r.ID, unnamedID) }

// named gives the resource of an entry an id where it has none: what is about to be signed or booked has often none yet.
func named(e fhir.Entry, number int) fhir.Resource {
	r := e.Resource
	if r.ID == "" {
		if own := fhir.ParseReference(e.FullURL); own.Type == r.Type {
			r.ID = own.ID
		}
	}
	if r.ID == "" {
		r.ID = unnamedID + string(rune('a'+number%26)) + strings.Repeat("z", min(number/26, 40))
	}
	return r
}
