package chart

import (
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/filter"
)

// TestOutcomeOfARetrieval: what stands beside the bare code of a retrieval decides whether it is taken for a success.
func TestOutcomeOfARetrieval(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	text := func(name, words string) string { return `"` + name + `":{"text":"` + words + `"}` }
	note := func(words string) string { return `"note":[{"text":"` + words + `"}]` }
	success := `"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385669000"}]}`
	for _, c := range []struct {
		beside string
		want   filter.Kind
	}{
		{`"note":[]`, filter.Removal},
		{text("outcome", "Tolerated well"), filter.Removal},
		{text("outcome", "no complications"), filter.Removal},
		{text("outcome", "No immediate complications. Patient stable."), filter.Removal},
		{text("outcome", "Stable"), filter.Removal},
		{text("outcome", "Good"), filter.Removal},
		{text("outcome", "uneventful"), filter.Removal},
		{text("outcome", "Filter removed in toto, minimal bleeding"), filter.Removal},
		{text("outcome", "Successful"), filter.Removal},
		{text("outcome", ""), filter.Removal},
		{note("Filter retrieved without complication."), filter.Removal},
		{note("Retrieved whole. No evidence of a retained fragment."), filter.Removal},
		{note("Patient with renal failure. Retrieved."), filter.Removal},
		{text("statusReason", "completed"), filter.Removal},
		{`"complication":[{"text":"Haematoma at the access"}]`, filter.Removal},
		{success + "," + note("Partial sedation. Filter and fragment out. First attempt failed, second one successful."), filter.Removal},

		{text("outcome", "Not retrieved"), filter.Attempt},
		{text("outcome", "Filter could not be retrieved"), filter.Attempt},
		{text("outcome", "Filter left in place"), filter.Attempt},
		{text("outcome", "No complication, unsuccessful"), filter.Attempt},
		{text("outcome", "Attempted"), filter.RemovalClaim},
		{text("outcome", "Procedure cancelled"), filter.RemovalClaim},
		{text("outcome", "Hook embedded"), filter.RemovalClaim},
		{text("outcome", "Stable, hook embedded"), filter.RemovalClaim},
		{text("outcome", "No retrieval"), filter.RemovalClaim},
		{text("outcome", "Removal impossible"), filter.RemovalClaim},
		{`"outcome":{"coding":[{"system":"http://hospital.example","code":"7"}]}`, filter.RemovalClaim},
		{text("statusReason", "aborted, filter embedded"), filter.RemovalClaim},
		{text("statusReason", "patient refused"), filter.RemovalClaim},
		{`"complication":[{"text":"Filter fracture"}]`, filter.RemovalClaim},
		{`"complication":[{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.515A"}]}]`, filter.RemovalClaim},
		{`"complication":[{"text":"Fractured strut retained in vena cava"}]`, filter.PartialRemoval},
		{note("No complications. Filter not retrieved."), filter.RemovalClaim},
		{note("No bleeding. Unable to engage the hook."), filter.RemovalClaim},
		{note("Without sedation. Retrieval terminated as hook embedded, filter stays."), filter.RemovalClaim},
		{note("No immediate complications. Retained strut in the cava."), filter.PartialRemoval},
		{note("Filter removed; one leg fractured and stays in the wall."), filter.PartialRemoval},
		{success + "," + note("Filter not retrieved."), filter.RemovalClaim},
		{success + "," + note("One strut was left in the wall."), filter.RemovalClaim},
	} {
		raw := `{"resourceType":"Procedure","id":"p","status":"completed","performedDateTime":"2026-01-15","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]},` + c.beside + `}`
		got := Read([]Entry{{Resource: fhir.Resource{Type: "Procedure", ID: "p", Raw: []byte(raw)}}}, sets, catalogue.Catalogue{}, time.UTC)
		if len(got.Events) != 1 || got.Events[0].Kind != c.want {
			t.Errorf("%s: %+v, want %s", c.beside, got.Events, c.want)
		}
	}
}
