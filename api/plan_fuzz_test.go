package api

import (
	"encoding/json"
	"strings"
	"testing"

	"dwellwatch/fhir"
)

// FuzzPlan holds the reading of a Bundle's entries: one step for each, what is to be kept has a type, a legal id and JSON as
// bytes, no reference that the Bundle itself explains is left unexplained, and the same Bundle gives the same steps again.
func FuzzPlan(f *testing.F) {
	for _, s := range []string{
		officialTransaction,
		bundleOf("transaction", `{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Device"},"request":{"method":"POST","url":"Device"}}`,
			`{"fullUrl":"urn:uuid:2","resource":{"resourceType":"Procedure","focalDevice":[{"manipulated":{"reference":"urn:uuid:1"}}]},"request":{"method":"POST","url":"Procedure"}}`),
		bundleOf("history", `{"resource":{"resourceType":"Procedure","id":"a"},"request":{"method":"PUT","url":"Procedure/a/_history/2"},"response":{"etag":"W/\"2\""}}`, `{"request":{"method":"DELETE","url":"Procedure/a"}}`),
		bundleOf("searchset", `{"fullUrl":"https://record.example/fhir/Procedure/a","resource":{"resourceType":"Procedure","id":"a","subject":{"reference":"https://record.example/fhir/Patient/1"}}}`),
		bundleOf("batch", `{"fullUrl":"urn:uuid:1","resource":[],"request":{"method":"POST","url":"Device"}}`, `7`, `{}`),
		bundleOf("message", `{"fullUrl":"urn:oid:1.2","resource":{"resourceType":"Patient","link":[{"other":{"reference":"urn:oid:1.2"}}]}}`),
	} {
		f.Add([]byte(s))
	}
	const base = "https://record.example/fhir"
	read := func(t *testing.T, body []byte) []step {
		r, err := fhir.Decode(body)
		if err != nil {
			return nil
		}
		b, err := fhir.DecodeBundle(r)
		if err != nil {
			return nil
		}
		steps, err := plan("f", base, b)
		if err != nil {
			return nil
		}
		if len(steps) != len(b.Entries) {
			t.Fatalf("%d steps for %d entries", len(steps), len(b.Entries))
		}
		return steps
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		steps := read(t, body)
		explained := map[string]bool{}
		for _, st := range steps {
			if st.kind == keep && strings.HasPrefix(st.fullURL, "urn:uuid:") && len(st.fullURL) > len("urn:uuid:") {
				explained[st.fullURL] = true
			}
		}
		again := read(t, append([]byte(nil), body...))
		for i, st := range steps {
			if other := again[i]; st.kind != other.kind || st.resource.Ref() != other.resource.Ref() || string(st.resource.Raw) != string(other.resource.Raw) {
				t.Fatalf("entry %d is another one the second time", i)
			}
			switch st.kind {
			case keep:
				if !fhir.ValidID(st.resource.ID) || st.resource.Type == "" || !json.Valid(st.resource.Raw) {
					t.Fatalf("entry %d is kept as %q: %q", i, st.resource.Ref(), st.resource.Raw)
				}
				var any struct {
					Subject struct {
						Reference string `json:"reference"`
					} `json:"subject"`
				}
				if json.Unmarshal(st.resource.Raw, &any) == nil && explained[any.Subject.Reference] {
					t.Fatalf("entry %d still names %q", i, any.Subject.Reference)
				}
			case remove:
				if !fhir.ValidID(st.resource.ID) || st.resource.Type == "" {
					t.Fatalf("entry %d removes %q", i, st.resource.Ref())
				}
			case faulty:
				if len(st.faults) == 0 {
					t.Fatalf("entry %d is at fault without one", i)
				}
			}
		}
	})
}
