package assess_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/filter"
)

const (
	madeOne = "0d3f2b1c-7a52-5c1e-9d40-5a1b2c3d4e5f"
	madeTwo = "1d3f2b1c-7a52-5c1e-8d40-5a1b2c3d4e5f"
)

func TestEntriesWithoutAnIDOfTheirOwnAreListed(t *testing.T) {
	t.Parallel()
	b := basis(t)
	entry := func(feed, base, kind, id, body string) chart.Entry {
		return chart.Entry{Feed: feed, Base: base, Resource: fhir.Resource{Type: kind, ID: id, Raw: []byte(body)}}
	}
	placed := func(patient string) string {
		return `{"resourceType":"Procedure","status":"completed","code":{"text":"Placement of vena cava filter"},"subject":{"reference":"Patient/` + patient + `"}}`
	}
	nameless := entry("default", "", "Patient", madeOne, `{"resourceType":"Patient","name":[{"text":"A"}]}`)
	for name, c := range map[string]struct {
		entries []chart.Entry
		patient string
		listed  []string
	}{
		"all have ids": {[]chart.Entry{entry("default", "", "Patient", "p1", `{"resourceType":"Patient","id":"p1"}`),
			entry("default", "", "Procedure", madeTwo, `{"id":"`+madeTwo+`",`+placed("p1")[1:])}, "Patient/p1", nil},
		"id in the URL only": {[]chart.Entry{entry("default", "", "Procedure", "pr1", placed("p1"))}, "Patient/p1", nil},
		"nothing has":        {[]chart.Entry{nameless, entry("default", "", "Procedure", madeTwo, placed(madeOne))}, "Patient/" + madeOne, []string{"Patient/" + madeOne, "Procedure/" + madeTwo}},
		"another name": {[]chart.Entry{nameless, entry("default", "", "Procedure", madeTwo, placed(madeOne)), entry("default", "", "Procedure", "pr1", placed("p1"))},
			"Patient/p1", []string{"Patient/" + madeOne, "Procedure/" + madeTwo}},
		"another feed's name": {[]chart.Entry{nameless, entry("ward", "urn:dwellwatch:feed:ward", "Procedure", madeTwo, placed("p1"))},
			"Patient/" + madeOne, []string{"Patient/" + madeOne, "urn:dwellwatch:feed:ward/Procedure/" + madeTwo}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := assess.Patient(assess.Record{Person: "one", Entries: c.entries}, b, filter.NewDay(2026, 3, 1)).Assessment
			if a.Patient != c.patient {
				t.Errorf("the patient is %s, want %s", a.Patient, c.patient)
			}
			if diff := cmp.Diff(c.listed, a.Nameless); diff != "" {
				t.Errorf("listed (-want +got):\n%s", diff)
			}
		})
	}
}
