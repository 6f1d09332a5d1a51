package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// trap is a document on which a reader that decodes into generated structs goes wrong.
type trap struct {
	body   string
	issues string // how Decode refuses it; "" where it must be taken
	warned string // what Warnings says of what is taken
	// theirs shows what samply's structs make of it; it fails the test once they no longer go wrong, and the trap can go.
	theirs func(t *testing.T, body []byte)
}

// again gives what samply writes of what it has read.
func again[R any](t *testing.T, read func([]byte) (R, error), body []byte) (R, string) {
	t.Helper()
	r, err := read(body)
	if err != nil {
		t.Fatalf("samply refuses it by now: %v", err)
	}
	out, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return r, string(out)
}

// loses checks that samply drops what is named.
func loses[R any](read func([]byte) (R, error), what string) func(*testing.T, []byte) {
	return func(t *testing.T, body []byte) {
		t.Helper()
		if _, out := again(t, read, body); !bytes.Contains(body, []byte(what)) || strings.Contains(out, what) {
			t.Errorf("samply keeps %s by now: %s", what, out)
		}
	}
}

// refuses checks that samply cannot read the resource at all.
func refuses[R any](read func([]byte) (R, error)) func(*testing.T, []byte) {
	return func(t *testing.T, body []byte) {
		t.Helper()
		if _, err := read(body); err == nil {
			t.Error("samply reads it by now")
		}
	}
}

// takes checks that samply reads without a word what ought to be refused.
func takes[R any](read func([]byte) (R, error)) func(*testing.T, []byte) {
	return func(t *testing.T, body []byte) {
		t.Helper()
		if _, err := read(body); err != nil {
			t.Errorf("samply refuses it by now: %v", err)
		}
	}
}

func traps() map[string]trap {
	return map[string]trap{
		"a status that is missing is not the first of the list": {
			body:   `{"resourceType":"Procedure","subject":{"reference":"Patient/a"}}`,
			warned: "warning required Procedure.status",
			theirs: func(t *testing.T, body []byte) {
				if p, _ := again(t, samply.UnmarshalProcedure, body); p.Status != samply.EventStatusPreparation {
					t.Errorf("samply reads %v by now", p.Status)
				}
			},
		},
		"a Bundle without a type is no document": {
			body: `{"resourceType":"Bundle","entry":[]}`,
			theirs: func(t *testing.T, body []byte) {
				if b, _ := again(t, samply.UnmarshalBundle, body); b.Type != samply.BundleTypeDocument {
					t.Errorf("samply reads %v by now", b.Type)
				}
				var invalid *Invalid
				r, err := Decode(body)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := DecodeBundle(r); !errors.As(err, &invalid) || summary(invalid.Issues) != "error required Bundle.type" {
					t.Errorf("DecodeBundle: %v", err)
				}
			},
		},
		"a status in capitals does not take the resource with it": {
			body:   `{"resourceType":"Device","status":"ACTIVE"}`,
			warned: "warning code-invalid Device.status",
			theirs: refuses(samply.UnmarshalDevice),
		},
		"a code that nobody knows does not take the resource with it": {
			body:   `{"resourceType":"Procedure","status":"done","subject":{"reference":"Patient/a"}}`,
			warned: "warning code-invalid Procedure.status",
			theirs: refuses(samply.UnmarshalProcedure),
		},
		"an unknown code of an element that nobody reads is nothing to speak of": {
			body:   `{"resourceType":"Patient","gender":"F","contact":[{"gender":"M"}]}`,
			theirs: refuses(samply.UnmarshalPatient),
		},
		"contained resources stay": {
			body: `{"resourceType":"MedicationRequest","contained":[{"resourceType":"Medication","id":"m","code":{"text":"apixaban"}}],
				"status":"active","intent":"order","medicationReference":{"reference":"#m"},"subject":{"reference":"Patient/a"}}`,
			theirs: loses(samply.UnmarshalMedicationRequest, "apixaban"),
		},
		"an extension of a birth date stays": {
			body:   `{"resourceType":"Patient","_birthDate":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"masked"}]}}`,
			theirs: loses(samply.UnmarshalPatient, "masked"),
		},
		"an extension of a status stays": {
			body:   `{"resourceType":"Device","_status":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}}`,
			theirs: loses(samply.UnmarshalDevice, "data-absent-reason"),
		},
		"elements that R4 does not know stay": {
			body:   `{"resourceType":"Device","x-local":{"a":1.00}}`,
			theirs: loses(samply.UnmarshalDevice, "x-local"),
		},
		"one medication is one medication when it is written again": {
			body: `{"resourceType":"MedicationRequest","status":"active","intent":"order","medicationReference":{"reference":"Medication/m"},"subject":{"reference":"Patient/a"}}`,
			theirs: func(t *testing.T, body []byte) {
				if _, out := again(t, samply.UnmarshalMedicationRequest, body); !strings.Contains(out, `"medicationCodeableConcept"`) {
					t.Errorf("samply writes one choice by now: %s", out)
				}
			},
		},
		"a null for a status is a fault of that element": {
			body:   `{"resourceType":"Procedure","status":null,"subject":{"reference":"Patient/a"}}`,
			issues: "error structure Procedure.status",
			theirs: refuses(samply.UnmarshalProcedure),
		},
		"a null for an element is not as if it were missing": {
			body:   `{"resourceType":"Device","patient":null}`,
			issues: "error structure Device.patient",
			theirs: takes(samply.UnmarshalDevice),
		},
		"a member given twice": {
			body:   `{"resourceType":"Device","patient":{"reference":"Patient/a"},"patient":{"reference":"Patient/b"}}`,
			issues: "error structure Device.patient",
			theirs: func(t *testing.T, body []byte) {
				if d, _ := again(t, samply.UnmarshalDevice, body); *d.Patient.Reference != "Patient/b" {
					t.Errorf("samply reads %s by now", *d.Patient.Reference)
				}
			},
		},
		"a member given twice, once in escapes": {
			body:   `{"resourceType":"Device","status":"active","st\u0061tus":"inactive"}`,
			issues: "error structure Device.status",
			theirs: takes(samply.UnmarshalDevice),
		},
		"two choices of one element": {
			body:   `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/a"},"performedDateTime":"2024","performedPeriod":{"start":"2023"}}`,
			issues: "error structure Procedure.performed",
			theirs: takes(samply.UnmarshalProcedure),
		},
		"a name in other letters is another name": {
			body: `{"resourceType":"Device","lotnumber":"L1","STATUS":"active"}`,
			theirs: func(t *testing.T, body []byte) {
				d, _ := again(t, samply.UnmarshalDevice, body)
				if d.LotNumber == nil || d.Status == nil {
					t.Error("samply tells the letters apart by now")
				}
				if m := members(body, "lotNumber", "status"); m["lotNumber"] != nil || m["status"] != nil {
					t.Error("a name in other letters is taken for the element")
				}
			},
		},
		"a name in other letters beside the right one is no repetition": {
			body: `{"resourceType":"Device","status":"active","Status":"inactive"}`,
			theirs: func(t *testing.T, body []byte) {
				if d, _ := again(t, samply.UnmarshalDevice, body); *d.Status != samply.FHIRDeviceStatusInactive {
					t.Errorf("samply reads %v by now", *d.Status)
				}
				if got := text(members(body, "status")["status"]); got != "active" {
					t.Errorf("status is %q", got)
				}
			},
		},
		"a resource of another type is not what it is asked to be": {
			body: `{"resourceType":"Patient","id":"a"}`,
			theirs: func(t *testing.T, body []byte) {
				takes(samply.UnmarshalDevice)(t, body)
				if r, err := Decode(body); err != nil || r.Type != "Patient" {
					t.Errorf("Decode gives %s: %v", r.Type, err)
				}
			},
		},
		"a day that no calendar has": {
			body:   `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/a"},"performedDateTime":"2023-02-30"}`,
			warned: "warning value Procedure.performedDateTime",
			theirs: takes(samply.UnmarshalProcedure),
		},
		"the digits of a decimal stay": {
			body: `{"resourceType":"Observation","status":"final","code":{"text":"INR"},"valueQuantity":{"value":2.50e0}}`,
			// These they keep.
			theirs: func(t *testing.T, body []byte) {
				if _, out := again(t, samply.UnmarshalObservation, body); !strings.Contains(out, "2.50e0") {
					t.Errorf("samply writes %s", out)
				}
			},
		},
	}
}

// TestTrapsOfGeneratedStructs holds that what goes wrong between generated structs and real documents does not go wrong here:
// each case is shown with the library whose structs lose it (github.com/samply/golang-fhir-models v0.3.2), which serves as a
// read view only.
func TestTrapsOfGeneratedStructs(t *testing.T) {
	t.Parallel()
	for name, c := range traps() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			body := []byte(c.body)
			c.theirs(t, body)
			r, err := Decode(body)
			if c.issues != "" {
				var invalid *Invalid
				if !errors.As(err, &invalid) || summary(invalid.Issues) != c.issues {
					t.Errorf("Decode: %v, want %s", err, c.issues)
				}
				return
			}
			if err != nil {
				t.Fatalf("Decode: %v", err)
			}
			if !bytes.Equal(r.Raw, body) {
				t.Errorf("the bytes are not as they came: %s", r.Raw)
			}
			if got := summary(Warnings(r)); got != c.warned {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}
