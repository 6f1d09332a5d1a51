package api

import (
	"strings"
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"

	"github.com/google/go-cmp/cmp"
)

// screening lets every item tell of a filter, and reads the patient as the screen does.
func screening(outcomes ...screen.Outcome) func(c *Config) {
	return func(c *Config) {
		fates(outcomes...)(c)
		c.Screen = func(feed string, r fhir.Resource) screen.Item {
			it := screen.Screener{Bases: map[string]string{"ward": "https://record.example/fhir"}}.Item(feed, r)
			it.Evidence = !it.Retracted
			return it
		}
	}
}

func TestWhoeverCannotBeAssessedIsSaid(t *testing.T) {
	t.Parallel()
	created := screening(screen.Outcome{Fate: screen.Created, Version: 1})
	const info = "information informational"
	for name, c := range map[string]struct{ url, body, issues string }{
		"named":         {"/fhir/Procedure/p", `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/x"}}`, info},
		"own address":   {"/feeds/ward/fhir/Procedure/p", `{"resourceType":"Procedure","status":"completed","subject":{"reference":"https://record.example/fhir/Patient/x"}}`, info},
		"missing":       {"/fhir/Procedure/p", `{"resourceType":"Procedure","status":"completed"}`, info + ", warning required Procedure.subject"},
		"display":       {"/fhir/DeviceUseStatement/p", `{"resourceType":"DeviceUseStatement","status":"active","subject":{"display":"A"}}`, info + ", warning required DeviceUseStatement.subject"},
		"identifier":    {"/fhir/Device/d", `{"resourceType":"Device","patient":{"identifier":{"value":"1"}}}`, info + ", warning not-supported Device.patient"},
		"other address": {"/feeds/ward/fhir/Device/d", `{"resourceType":"Device","patient":{"reference":"https://elsewhere.example/fhir/Patient/x"}}`, info + ", warning not-found Device.patient"},
		"taken back":    {"/fhir/Procedure/p", `{"resourceType":"Procedure","status":"entered-in-error"}`, info},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, created).send("PUT", c.url, c.body)
			if diff := cmp.Diff(c.issues, issuesOf(t, w.Body.Bytes())); diff != "" || w.Code != 201 {
				t.Errorf("%d (-want +got):\n%s", w.Code, diff)
			}
		})
	}
	w := setup(t, created).send("PUT", "/fhir/Procedure/p", `{"resourceType":"Procedure","status":"completed","subject":"Patient/x"}`)
	if got := issuesOf(t, w.Body.Bytes()); w.Code != 400 || got != "error structure Procedure.subject" {
		t.Errorf("a subject that is a string: %d %s", w.Code, got)
	}
	w = setup(t, created).send("POST", "/fhir", bundleOf("batch", entryOf(`{"resourceType":"Procedure","id":"p","status":"completed"}`, "PUT", "Procedure/p")))
	if _, got := answers(t, w.Body.Bytes()); len(got) != 1 || !strings.HasSuffix(got[0], "warning required Bundle.entry[0].resource.subject") {
		t.Errorf("in a Bundle: %v", got)
	}
}

func TestARetractionThatStandsIsSaid(t *testing.T) {
	t.Parallel()
	for name, o := range map[string]screen.Outcome{
		"repeated": {Fate: screen.Duplicate, Version: 1, Retracted: true},
		"older":    {Fate: screen.Stale, Retracted: true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, fates(o)).send("PUT", "/fhir/Procedure/p-1", procedure)
			if got := issuesOf(t, w.Body.Bytes()); w.Code != 200 || got != "warning conflict" {
				t.Errorf("%d %s", w.Code, got)
			}
			for _, words := range []string{"retraction of this resource stands", "meta.lastUpdated", "meta.versionId"} {
				if !strings.Contains(w.Body.String(), words) {
					t.Errorf("the answer does not say %q: %s", words, w.Body)
				}
			}
		})
	}
}

func TestAnIDMadeAtTheDoorIsKnownAsSuch(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.send("POST", "/fhir/Procedure", `{"resourceType":"Procedure","status":"completed"}`)
	r.send("POST", "/fhir", bundleOf("batch", `{"fullUrl":"urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a","resource":{"resourceType":"Patient"},"request":{"method":"POST","url":"Patient"}}`))
	r.send("PUT", "/fhir/Procedure/p-1", `{"resourceType":"Procedure","status":"completed"}`)
	r.send("PUT", "/fhir/Procedure/p-1", procedure)
	var got []bool
	for _, call := range r.calls {
		got = append(got, call[0].Resource.NamelessID())
	}
	if diff := cmp.Diff([]bool{true, true, false, false}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
