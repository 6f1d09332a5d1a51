package fhir_test

import (
	"strings"
	"testing"

	"dwellwatch/fhir"
)

// TestParseReference: the forms of http://hl7.org/fhir/R4/references.html#literal, with its examples
// ("Patient/034AB16", "http://fhir.hl7.org/svc/StructureDefinition/c8973a22-2b5b-4e76-9c66-00639c99e61b",
// "http://example.org/fhir/Observation/1x2/_history/2").
func TestParseReference(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("a", 64)
	for _, c := range []struct {
		in   string
		want fhir.Reference
	}{
		{"Patient/034AB16", fhir.Reference{Type: "Patient", ID: "034AB16"}},
		{"http://fhir.hl7.org/svc/StructureDefinition/c8973a22-2b5b-4e76-9c66-00639c99e61b", fhir.Reference{Base: "http://fhir.hl7.org/svc", Type: "StructureDefinition", ID: "c8973a22-2b5b-4e76-9c66-00639c99e61b"}},
		{"http://example.org/fhir/Observation/1x2/_history/2", fhir.Reference{Base: "http://example.org/fhir", Type: "Observation", ID: "1x2", Version: "2"}},
		{"Observation/1x2/_history/2", fhir.Reference{Type: "Observation", ID: "1x2", Version: "2"}},
		{"https://example.org:8443/r4/tenant/Device/a.b-C", fhir.Reference{Base: "https://example.org:8443/r4/tenant", Type: "Device", ID: "a.b-C"}},
		{"#dev1", fhir.Reference{Contained: "dev1"}},
		{"urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a", fhir.Reference{URN: "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"}},
		{"urn:oid:1.2.3.4.5", fhir.Reference{URN: "urn:oid:1.2.3.4.5"}},
		{"Patient?identifier=http://example.org/mrn|7", fhir.Reference{Conditional: true}},
		{"Device/" + long, fhir.Reference{Type: "Device", ID: long}},
		{"Device/" + long + "a", fhir.Reference{}},
		{"Device/", fhir.Reference{}},
		// Not FHIR, but sent by some: a slash in front says nothing.
		{"/Device/1", fhir.Reference{Type: "Device", ID: "1"}},
		{"Device", fhir.Reference{}},
		{"device/1", fhir.Reference{}},
		{"Device/a_b", fhir.Reference{}},
		{"Device/a b", fhir.Reference{}},
		{"De-vice/1", fhir.Reference{}},
		{"", fhir.Reference{}},
	} {
		if got := fhir.ParseReference(c.in); got != c.want {
			t.Errorf("%q: got %+v, want %+v", c.in, got, c.want)
		}
	}
}

// TestLocal: relative references and absolute ones of the server itself are local; http and https count as one, as
// http://hl7.org/fhir/R4/references.html asks of logical identity.
func TestLocal(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ in, base, want string }{
		{"Device/1", "", "Device/1"},
		{"Device/1", "http://a.example/fhir", "Device/1"},
		{"http://a.example/fhir/Device/1", "http://a.example/fhir", "Device/1"},
		{"https://a.example/fhir/Device/1/_history/3", "http://a.example/fhir/", "Device/1"},
		{"http://a.example/fhir/Device/1", "", ""},
		{"http://a.example/fhir2/Device/1", "http://a.example/fhir", ""},
		{"http://b.example/fhir/Device/1", "http://a.example/fhir", ""},
		{"#dev1", "http://a.example/fhir", ""},
		{"urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a", "", ""},
	} {
		if got := fhir.ParseReference(c.in).Local(c.base); got != c.want {
			t.Errorf("%s under %q: got %q, want %q", c.in, c.base, got, c.want)
		}
	}
}
