package chart

import (
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
)

// TestSiteByItsCode: a body site counts by its code alone.
func TestSiteByItsCode(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	for code, want := range map[string]site{"64131007": {cava: true}, "73829009": {heart: true}, "38848004": {organ: true}, "26893007": {}} {
		raw := `{"resourceType":"Condition","id":"c","code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.7XXA"}]},"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"` + code + `"}]}]}`
		got := Read([]Entry{{Resource: fhir.Resource{Type: "Condition", ID: "c", Raw: []byte(raw)}}}, sets, catalogue.Catalogue{}, time.UTC).Facts.Diagnoses
		if len(got) != 1 || got[0].Own != want.cava || got[0].Words.HeartOrLung != want.heart || got[0].Words.Organ != want.organ {
			t.Errorf("%s: %+v", code, got)
		}
	}
}

// TestComplicationThatSaysTheFilterIsIn: only a code of filters, begun on a known day, whose words say so.
func TestComplicationThatSaysTheFilterIsIn(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		code, onset, note string
		want              int
	}{
		{"T82.525A", "2026-02-20", "Filter displaced on CT, tilted, in situ.", 1},
		{"T82.525A", "2026-02-20", "The filter remains in place.", 1},
		{"T82.525A", "2026-02-20", "Filter displaced.", 0},
		{"T82.525A", "2026-02-20", "No filter in situ.", 0},
		{"T82.525D", "2026-02-20", "Filter in situ.", 0},
		{"T82.525A", "", "Filter in situ.", 0},
		{"T82.7XXA", "2026-02-20", "Filter in situ.", 0},
	} {
		onset := ""
		if c.onset != "" {
			onset = `"onsetDateTime":"` + c.onset + `",`
		}
		raw := `{"resourceType":"Condition","id":"c",` + onset + `"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"` + c.code + `"}]},"note":[{"text":"` + c.note + `"}]}`
		if got := Read([]Entry{{Resource: fhir.Resource{Type: "Condition", ID: "c", Raw: []byte(raw)}}}, sets, catalogue.Catalogue{}, time.UTC).Events; len(got) != c.want {
			t.Errorf("%+v: %+v", c, got)
		}
	}
}
