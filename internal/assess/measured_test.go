package assess_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// TestRepeatedValuesMakeNoNewDocument: a value measured again that decides as the one before changes neither the meaning nor the list of
// changes, though it stands in the answer with its entry; one that decides otherwise changes both.
func TestRepeatedValuesMakeNoNewDocument(t *testing.T) {
	t.Parallel()
	b := basis(t)
	loinc := map[string]string{"inr": `6301-6|{INR}`, "haemoglobin": `718-7|g/dL`, "platelets": `777-3|10*3/uL`, "weight": `29463-7|kg`, "creatinine": `2160-0|mg/dL`}
	value := func(what string, v float64, day string) string {
		code, unit, _ := strings.Cut(loinc[what], "|")
		return fmt.Sprintf(`,{"resource":{"resourceType":"Observation","id":"%s-%s","status":"final","subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://loinc.org","code":%q}]},"effectiveDateTime":%q,"valueQuantity":{"value":%v,"system":"http://unitsofmeasure.org","code":%q}}}`,
			what, day, code, day, v, unit)
	}
	order := func(rxnorm, sig string) string {
		return fmt.Sprintf(`,{"resource":{"resourceType":"MedicationRequest","id":"order","status":"active","intent":"order","subject":{"reference":"Patient/p"},"authoredOn":"2026-01-05","medicationCodeableConcept":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":%q}]}%s}}`, rxnorm, sig)
	}
	const dose = `,"dosageInstruction":[{"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":80,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"}}]}]`
	warfarin, enoxaparin := order("855332", ""), order("854241", dose)
	bleed := `,{"resource":{"resourceType":"Condition","id":"bleed","subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"K92.2"}]},"onsetDateTime":"2026-02-10"}}`
	assessed := func(entries string) assess.Result {
		const base = `{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Patient","id":"p","gender":"female","birthDate":"1958-09-14"}},
			{"resource":{"resourceType":"Procedure","id":"in","subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"status":"completed","performedDateTime":"2025-12-01"}},
			{"resource":{"resourceType":"Condition","id":"clot","subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"I82.412"}]},"onsetDateTime":"2025-11-28"}}`
		return assess.Patient(assess.Split(resources(t, []byte(base+entries+"]}")))[0], b, filter.NewDay(2026, 3, 10))
	}
	for name, c := range map[string]struct {
		record, again string
		names         string // in the answer after the second value
		same          bool
	}{
		"INR in range again":          {warfarin + value("inr", 2.4, "2026-01-20") + value("inr", 2.3, "2026-02-20"), value("inr", 2.5, "2026-03-01"), "INR 2.5 on 2026-03-01", true},
		"INR above range again":       {warfarin + value("inr", 3.4, "2026-02-20"), value("inr", 3.5, "2026-03-01"), "INR 3.5 on 2026-03-01", true},
		"INR below range again":       {warfarin + value("inr", 1.6, "2026-02-20"), value("inr", 1.7, "2026-03-01"), "INR 1.7 on 2026-03-01", true},
		"INR in range, then not":      {warfarin + value("inr", 2.4, "2026-02-20"), value("inr", 1.5, "2026-03-01"), "INR 1.5 on 2026-03-01", false},
		"INR in range beside a bleed": {warfarin + bleed + value("inr", 2.4, "2026-01-20") + value("inr", 2.3, "2026-02-20"), value("inr", 2.5, "2026-03-01"), "INR 2.5 on 2026-03-01", true},
		"weight in the band again":    {enoxaparin + value("weight", 80, "2026-02-20"), value("weight", 81, "2026-03-01"), "a weight of 81 kg", true},
		"weight out of the band":      {enoxaparin + value("weight", 80, "2026-02-20"), value("weight", 60, "2026-03-01"), "", false},
		"haemoglobin fallen further":  {warfarin + value("haemoglobin", 13, "2026-02-20") + value("haemoglobin", 10, "2026-03-02"), value("haemoglobin", 9.8, "2026-03-03"), "haemoglobin-2026-03-03", true},
	} {
		before, after := assessed(c.record), assessed(c.record+c.again)
		x, y := before.Wants()[0].Meaning, after.Wants()[0].Meaning
		changes := assess.Changes(assess.Said{Assessment: before.Assessment}, assess.Said{Assessment: after.Assessment})
		if x == "" || (x == y) != c.same || (len(changes) == 0) != c.same {
			t.Errorf("%s: the same meaning %v, changes %v", name, x == y, changes)
		}
		if c.names == "" {
			continue
		}
		if !slices.ContainsFunc(after.Assessment.Filters[0].Findings, func(f assess.Finding) bool {
			return strings.Contains(f.By, c.names) || slices.Contains(f.Evidence, "Observation/"+c.names)
		}) {
			t.Errorf("%s: the answer does not name it", name)
		}
	}
}
