package chart

import (
	"strings"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
)

// readApixaban reads one entry about apixaban by itself and gives what is told of its courses, and the paths that could not be read.
func readApixaban(t *testing.T, sets Sets, kind, members string) (courses int, unsure, doubtful bool, unread string) {
	t.Helper()
	entry := Entry{Resource: fhir.Resource{Type: kind, ID: "m", Raw: []byte(`{"resourceType":"` + kind + `","id":"m","medicationCodeableConcept":{"text":"apixaban 5 MG Oral Tablet"}` + members + `}`)}}
	got := Read([]Entry{entry}, sets, catalogue.Catalogue{}, time.UTC)
	for _, c := range got.Facts.Courses {
		unsure, doubtful = unsure || c.Unsure, doubtful || c.Doubtful
	}
	var paths []string
	for _, u := range got.Unread {
		paths = append(paths, u.Path)
	}
	return len(got.Facts.Courses), unsure, doubtful, strings.Join(paths, " ")
}

// TestStatusOfMedication: an anticoagulant whose status or intent is missing, or none that FHIR knows, is kept, counts for nothing certain,
// and the element is named; one that FHIR knows to be none is left out without a word.
func TestStatusOfMedication(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	const given = `,"effectiveDateTime":"2026-03-01"`
	const supply = `,"whenHandedOver":"2026-03-01","daysSupply":{"value":30}`
	for _, c := range []struct {
		kind, members string
		courses       int
		unsure        bool
		unread        string
	}{
		{"MedicationRequest", `,"status":"active","intent":"order"`, 1, false, ""},
		{"MedicationRequest", `,"status":"active","intent":"instance-order"`, 1, false, ""},
		{"MedicationRequest", `,"status":"Active","intent":"order"`, 1, true, "MedicationRequest.status"},
		{"MedicationRequest", `,"status":["active"],"intent":"order"`, 1, true, "MedicationRequest.status"},
		{"MedicationRequest", `,"status":null,"intent":"order"`, 1, true, "MedicationRequest.status"},
		{"MedicationRequest", `,"intent":"order"`, 1, true, "MedicationRequest.status"},
		{"MedicationRequest", `,"status":"unknown","intent":"order"`, 1, true, ""},
		{"MedicationRequest", `,"status":"active","intent":"Order"`, 1, true, "MedicationRequest.intent"},
		{"MedicationRequest", `,"status":"completed"`, 1, true, "MedicationRequest.intent"},
		{"MedicationRequest", ``, 1, true, "MedicationRequest.intent MedicationRequest.status"},
		{"MedicationRequest", `,"status":"active","intent":"plan"`, 0, false, ""},
		{"MedicationRequest", `,"status":"Active","intent":"proposal"`, 0, false, ""},
		{"MedicationRequest", `,"status":"draft","intent":"order"`, 0, false, ""},
		{"MedicationRequest", `,"status":"entered-in-error"`, 0, false, ""},
		{"MedicationRequest", `,"status":"Active","intent":"order","doNotPerform":true`, 0, false, ""},
		{"MedicationStatement", `,"status":"active"` + given, 1, false, ""},
		{"MedicationStatement", `,"status":"taking"` + given, 1, true, "MedicationStatement.status"},
		{"MedicationStatement", given, 1, true, "MedicationStatement.status"},
		{"MedicationStatement", `,"status":"unknown"` + given, 1, true, ""},
		{"MedicationStatement", `,"status":"intended"` + given, 0, false, ""},
		{"MedicationStatement", `,"status":"not-taken"` + given, 0, false, ""},
		{"MedicationDispense", `,"status":"completed"` + supply, 1, false, ""},
		{"MedicationDispense", `,"status":"COMPLETED"` + supply, 1, true, "MedicationDispense.status"},
		{"MedicationDispense", supply, 1, true, "MedicationDispense.status"},
		{"MedicationDispense", `,"status":"declined"` + supply, 0, false, ""},
		{"MedicationAdministration", `,"status":"completed"` + given, 1, false, ""},
		{"MedicationAdministration", `,"status":"given"` + given, 1, true, "MedicationAdministration.status"},
		{"MedicationAdministration", given, 1, true, "MedicationAdministration.status"},
		{"MedicationAdministration", `,"status":"not-done"` + given, 0, false, ""},
	} {
		courses, unsure, _, unread := readApixaban(t, sets, c.kind, c.members)
		if courses != c.courses || unsure != c.unsure || unread != c.unread {
			t.Errorf("%s %s: %d courses, unsure %v, unread %q; want %d %v %q", c.kind, c.members, courses, unsure, unread, c.courses, c.unsure, c.unread)
		}
	}
}

// TestImpossibleNumbers: a frequency, period, count, length or dose that is not above zero leaves the dose open and is named.
func TestImpossibleNumbers(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	order := func(repeat, dose string) string {
		return `,"status":"active","intent":"order","authoredOn":"2026-02-01","dosageInstruction":[{"timing":{"repeat":{` + repeat + `}},"doseAndRate":[{"doseQuantity":{` + dose + `}}]}]`
	}
	const often, five = `"frequency":2,"period":1,"periodUnit":"d"`, `"value":5,"unit":"mg"`
	const at, dosed = "MedicationRequest.dosageInstruction.0.timing.repeat.", "MedicationRequest.dosageInstruction.0.doseAndRate.0.doseQuantity.value"
	for _, c := range []struct{ kind, members, unread string }{
		{"MedicationRequest", order(often, five), ""},
		{"MedicationRequest", order(often+`,"count":60`, five), ""},
		{"MedicationRequest", order(`"frequency":2,"period":null,"periodUnit":"d"`, five), ""},
		{"MedicationRequest", order(`"frequency":2,"period":0,"periodUnit":"d"`, five), at + "period"},
		{"MedicationRequest", order(`"frequency":2,"period":-1,"periodUnit":"d"`, five), at + "period"},
		{"MedicationRequest", order(`"frequency":2,"period":"daily","periodUnit":"d"`, five), at + "period"},
		{"MedicationRequest", order(`"frequency":1,"period":1e999,"periodUnit":"d"`, five), at + "period"},
		{"MedicationRequest", order(`"frequency":2,"period":"NaN","periodUnit":"d"`, five), at + "period"},
		{"MedicationRequest", order(`"frequency":0,"period":1,"periodUnit":"d"`, five), at + "frequency"},
		{"MedicationRequest", order(`"frequency":-2,"period":0,"periodUnit":"d"`, five), at + "frequency " + at + "period"},
		{"MedicationRequest", order(often+`,"count":0`, five), at + "count"},
		{"MedicationRequest", order(often+`,"count":-3`, five), at + "count"},
		{"MedicationRequest", order(often+`,"boundsDuration":{"value":0,"unit":"d"}`, five), at + "boundsDuration.value"},
		{"MedicationRequest", order(often, `"value":0,"unit":"mg"`), dosed},
		{"MedicationRequest", order(often, `"value":-5,"unit":"mg"`), dosed},
		{"MedicationAdministration", `,"status":"completed","effectiveDateTime":"2026-03-01","dosage":{"dose":{"value":5,"unit":"mg"}}`, ""},
		{"MedicationAdministration", `,"status":"completed","effectiveDateTime":"2026-03-01","dosage":{"dose":{"value":-5,"unit":"mg"}}`, "MedicationAdministration.dosage.dose.value"},
	} {
		courses, _, doubtful, unread := readApixaban(t, sets, c.kind, c.members)
		if courses != 1 || doubtful != (c.unread != "") || unread != c.unread {
			t.Errorf("%s %s: %d courses, doubtful %v, unread %q; want %q", c.kind, c.members, courses, doubtful, unread, c.unread)
		}
	}
	// A supply for less than a day has no end before it began.
	if courses, _, _, unread := readApixaban(t, sets, "MedicationDispense", `,"status":"completed","whenHandedOver":"2026-03-01","daysSupply":{"value":-5}`); courses != 0 || unread != "MedicationDispense.daysSupply.value" {
		t.Errorf("a supply for -5 days: %d courses, unread %q", courses, unread)
	}
}
