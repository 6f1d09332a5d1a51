package assess_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

const (
	patientEntry = `{"resourceType":"Patient","id":"p","gender":"female","birthDate":"1960-01-01"}`
	cptSystem    = "http://www.ama-assn.org/go/cpt"
)

func filterProcedure(id, code, day, status string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":%q,"status":%q,"subject":{"reference":"Patient/p"},"code":{"coding":[{"system":%q,"code":%q}]},"performedDateTime":%q,"performer":[{"actor":{"display":"Dr A  Example"},"onBehalfOf":{"display":"Alder Bay General"}}],"location":{"display":"Alder Bay General"}}`, id, status, cptSystem, code, day)
}

func diagnosis(id, code, onset, more string) string {
	return fmt.Sprintf(`{"resourceType":"Condition","id":%q,"subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}]},"onsetDateTime":%q%s}`, id, code, onset, more)
}

func order(id, rxcui string, dose float64, perDay int, start, end string) string {
	bounds := fmt.Sprintf(`{"start":%q}`, start)
	if end != "" {
		bounds = fmt.Sprintf(`{"start":%q,"end":%q}`, start, end)
	}
	return fmt.Sprintf(`{"resourceType":"MedicationRequest","id":%q,"status":"active","intent":"order","subject":{"reference":"Patient/p"},"medicationCodeableConcept":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":%q}]},"authoredOn":%q,"dosageInstruction":[{"timing":{"repeat":{"boundsPeriod":%s,"frequency":%d,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":%v,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"}}]}]}`, id, rxcui, start, bounds, perDay, dose)
}

func assessed(t *testing.T, asOf string, entries ...string) []assess.Filter {
	t.Helper()
	var list []string
	for _, e := range append([]string{patientEntry}, entries...) {
		list = append(list, `{"resource":`+e+`}`)
	}
	day, err := filter.ParseDay(asOf)
	if err != nil {
		t.Fatal(err)
	}
	bundle := `{"resourceType":"Bundle","type":"collection","entry":[` + strings.Join(list, ",") + `]}`
	return assess.Patient(assess.Split(resources(t, []byte(bundle)))[0], basis(t), day).Assessment.Filters
}

// TestBackground: why the filter was placed and by whom, what spoke against anticoagulation, and what was prescribed when. Orders of one
// agent and dose that follow each other are one course; another dose or a longer gap begins another.
func TestBackground(t *testing.T) {
	t.Parallel()
	list := assessed(t, "2026-03-01",
		filterProcedure("in", "37191", "2025-01-10", "completed"),
		diagnosis("clot", "I82.423", "2025-01-06", ""), diagnosis("bleed", "K92.2", "2025-01-08", `,"abatementDateTime":"2025-02-01"`),
		diagnosis("old", "I26.99", "2023-05-05", ""),
		order("m1", "1364430", 5, 2, "2025-02-03", "2025-03-01"), order("m2", "1364430", 5, 2, "2025-03-03", "2025-05-31"),
		order("m3", "1364430", 5, 2, "2025-07-01", "2025-08-31"), order("m4", "1364430", 2.5, 2, "2026-01-10", ""))
	if len(list) != 1 {
		t.Fatalf("%d filters", len(list))
	}
	f := list[0]
	if want := "Deep vein thrombosis, both sides (ICD-10-CM I82.423), 2025-01-06. Against anticoagulation then: bleed (ICD-10-CM K92.2), 2025-01-08"; f.PlacedFor != want {
		t.Errorf("placed for %q", f.PlacedFor)
	}
	var courses, background []string
	for _, c := range f.Courses {
		courses = append(courses, fmt.Sprint(c.Agent, " ", c.Level, " ", days(&c.Start), " to ", days(&c.End), " ", c.Runs, " ", strings.Join(c.Evidence, " ")))
	}
	for _, h := range f.Background {
		background = append(background, days(&h.When)+" "+h.What+": "+h.Text)
	}
	if diff := cmp.Diff([]string{
		"apixaban therapeutic 2025-02-03 to 2025-05-31 false MedicationRequest/m1 MedicationRequest/m2",
		"apixaban therapeutic 2025-07-01 to 2025-08-31 false MedicationRequest/m3",
		"apixaban reduced 2026-01-10 to  true MedicationRequest/m4",
	}, courses); diff != "" {
		t.Errorf("courses (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{
		"2023-05-05 thromboembolism: Pulmonary embolism (ICD-10-CM I26.99)",
		"2025-01-06 reason: Placed for: deep vein thrombosis, both sides (ICD-10-CM I82.423)",
		"2025-01-08 contraindication: Bleed (ICD-10-CM K92.2), ended 2025-02-01",
	}, background); diff != "" {
		t.Errorf("background (-want +got):\n%s", diff)
	}
	if want := "Filter placed (CPT 37191, completed; Dr A Example, Alder Bay General)"; f.Events[0].Text != want {
		t.Errorf("the placement is told as %q", f.Events[0].Text)
	}
}

// TestOthersAreCounted: each filter tells of the patient's others that are in, not of one that came out.
func TestOthersAreCounted(t *testing.T) {
	t.Parallel()
	two := []string{filterProcedure("a", "37191", "2023-01-10", "completed"), filterProcedure("b", "37191", "2025-06-10", "completed")}
	for _, f := range assessed(t, "2026-03-01", two...) {
		if f.Others != 1 {
			t.Errorf("%s tells of %d others", days(f.Placed), f.Others)
		}
	}
	for _, f := range assessed(t, "2026-03-01", filterProcedure("a", "37191", "2023-01-10", "completed"), filterProcedure("out", "37193", "2023-03-01", "completed"), two[1]) {
		if want := map[string]int{"in-place": 0, "removed": 1}[f.Standing]; f.Others != want {
			t.Errorf("the one that is %s tells of %d others, want %d", f.Standing, f.Others, want)
		}
	}
}
