package assess_test

import (
	"slices"
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// TestGapsAreMissing holds that what a pull could not read stands in every filter's answer and changes what the document
// means: a draft made on half a record says so, and is revised when the rest was read.
func TestGapsAreMissing(t *testing.T) {
	t.Parallel()
	const gap = "MedicationRequest: this service is not allowed to read it"
	const text = "A part of the patient's record was not read: " + gap + ". Look there before relying on what is not listed here."
	rec := recordOf([]fhir.Resource{mustDecode(t, `{"resourceType":"Procedure","id":"p","status":"completed","subject":{"reference":"Patient/a"},
		"performedDateTime":"2026-01-05","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]}}`)}, nil)
	whole := assess.Patient(rec, basis(t), filter.NewDay(2026, 6, 1))
	rec.Gaps = []string{gap}
	cut := assess.Patient(rec, basis(t), filter.NewDay(2026, 6, 1))
	if len(whole.Assessment.Filters) != 1 || len(cut.Assessment.Filters) != 1 {
		t.Fatalf("%d and %d filters, want one each", len(whole.Assessment.Filters), len(cut.Assessment.Filters))
	}
	said := func(f assess.Filter) bool {
		return slices.ContainsFunc(f.Missing, func(m assess.Missing) bool { return m.Text == text })
	}
	if said(whole.Assessment.Filters[0]) || !said(cut.Assessment.Filters[0]) {
		t.Errorf("missing without gap %v, with gap %v", whole.Assessment.Filters[0].Missing, cut.Assessment.Filters[0].Missing)
	}
	if whole.Wants()[0].Meaning == cut.Wants()[0].Meaning {
		t.Error("a gap does not change what the document means")
	}
}
