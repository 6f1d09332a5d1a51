package chart

import (
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
)

// TestDepartures: a stay that ended in death or hospice care is told apart from a discharge, by code or by words.
func TestDepartures(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	hl7 := func(code string) string {
		return `"coding":[{"system":"http://terminology.hl7.org/CodeSystem/discharge-disposition","code":"` + code + `"}]`
	}
	for disposition, want := range map[string]int{
		hl7("exp"): 1, hl7("hosp"): 1, `"coding":[{"system":"http://snomed.info/sct","code":"428361000124107"}]`: 1, `"text":"Expired"`: 1, `"text":"Home with hospice care"`: 1,
		hl7("home"): 0, `"text":"Home"`: 0, `"text":"Home, no hospice care needed"`: 0,
	} {
		entries := []Entry{
			{Resource: fhir.Resource{Type: "Encounter", ID: "e", Raw: []byte(`{"resourceType":"Encounter","id":"e","status":"finished","class":{"code":"IMP"},"period":{"end":"2026-02-24"},"hospitalization":{"dischargeDisposition":{` + disposition + `}}}`)}},
			{Resource: fhir.Resource{Type: "Procedure", ID: "p", Raw: []byte(`{"resourceType":"Procedure","id":"p","status":"completed","performedDateTime":"2026-01-20","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"reasonCode":[{"text":"Prophylactic"}]}`)}},
		}
		if got := Read(entries, sets, catalogue.Catalogue{}, time.UTC).Facts.Departures; len(got) != want {
			t.Errorf("%s: %v", disposition, got)
		}
	}
}
