package assess_test

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// patientGen draws one patient's record as conflicting tellers would send it: one event in up to four forms, partial days,
// missing statuses, removals and attempts, diagnoses, orders, values, requests. Ids are unique.
type patientGen struct {
	t    *rapid.T
	n    int
	body []string
}

const generatedPatient = "g1"

// firstDay and the asOf range bound the drawn days.
func firstDay() filter.Day { return filter.NewDay(2024, 1, 1) }

func drawPatient(t *rapid.T) ([]fhir.Resource, filter.Day) {
	g := &patientGen{t: t}
	g.add("Patient", generatedPatient, `"gender":"female"`)
	for range rapid.IntRange(1, 2).Draw(t, "filters") {
		g.filter()
	}
	for range rapid.IntRange(0, 3).Draw(t, "diagnoses") {
		g.diagnosis()
	}
	for range rapid.IntRange(0, 2).Draw(t, "orders") {
		g.order()
	}
	if rapid.Bool().Draw(t, "weight") {
		g.add("Observation", g.id("w"), fmt.Sprintf(`"status":"final",%s,"code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"effectiveDateTime":%q,"valueQuantity":{"value":80,"code":"kg"}`, subject(), g.day("weight day")))
	}
	if rapid.Bool().Draw(t, "platelets") {
		g.add("Observation", g.id("p"), fmt.Sprintf(`"status":"final",%s,"code":{"coding":[{"system":"http://loinc.org","code":"777-3"}]},"effectiveDateTime":%q,"valueQuantity":{"value":%d,"code":"10*9/L"}`, subject(), g.day("platelet day"), rapid.SampledFrom([]int{30, 49, 50, 200}).Draw(t, "count")))
	}
	if rapid.IntRange(0, 3).Draw(t, "asked") == 0 {
		g.add("ServiceRequest", g.id("sr"), fmt.Sprintf(`"status":"active","intent":"order",%s,"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]},"authoredOn":%q`, subject(), g.day("asked day")))
	}
	asOf := firstDay() + filter.Day(rapid.IntRange(30, 900).Draw(t, "asOf"))
	return g.resources(), asOf
}

func subject() string { return `"subject":{"reference":"Patient/` + generatedPatient + `"}` }

func (g *patientGen) id(prefix string) string {
	g.n++
	return fmt.Sprintf("%s%d", prefix, g.n)
}

func (g *patientGen) add(kind, id, members string) {
	g.body = append(g.body, fmt.Sprintf(`{"resourceType":%q,"id":%q,"meta":{"versionId":"1","lastUpdated":"2026-12-31T00:00:00Z"},%s}`, kind, id, members))
}

// day draws a full, month-only or year-only day.
func (g *patientGen) day(label string) string {
	d := firstDay() + filter.Day(rapid.IntRange(0, 700).Draw(g.t, label))
	return d.String()[:rapid.SampledFrom([]int{10, 10, 10, 10, 7, 4}).Draw(g.t, label+" precision")]
}

// filter draws a placement in one to four forms, and what happened to the filter later.
func (g *patientGen) filter() {
	placed := firstDay() + filter.Day(rapid.IntRange(0, 600).Draw(g.t, "placed"))
	near := func(label string) string {
		d := placed + filter.Day(rapid.SampledFrom([]int{0, 0, 0, 1, 3, 4, 20}).Draw(g.t, label))
		return d.String()[:rapid.SampledFrom([]int{10, 10, 10, 7}).Draw(g.t, label+" precision")]
	}
	device := ""
	forms := rapid.IntRange(1, 15).Draw(g.t, "forms")
	if forms&1 != 0 {
		device = g.id("dev")
		status := rapid.SampledFrom([]string{"active", "active", "active", "inactive"}).Draw(g.t, "device status")
		g.add("Device", device, fmt.Sprintf(`"status":%q,"patient":{"reference":"Patient/%s"},"type":{"text":"vena cava filter"},"modelNumber":"M-%d"`, status, generatedPatient, rapid.IntRange(1, 2).Draw(g.t, "model")))
	}
	if forms&2 != 0 || forms == 1 && rapid.Bool().Draw(g.t, "procedure too") {
		focal := ""
		if device != "" && rapid.Bool().Draw(g.t, "names device") {
			focal = fmt.Sprintf(`,"focalDevice":[{"manipulated":{"reference":"Device/%s"}}]`, device)
		}
		status := rapid.SampledFrom([]string{`"status":"completed",`, `"status":"completed",`, `"status":"completed",`, `"status":"unknown",`, ``}).Draw(g.t, "status")
		g.add("Procedure", g.id("put"), fmt.Sprintf(`%s%s,"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"performedDateTime":%q%s`, status, subject(), near("procedure day"), focal))
	}
	if forms&4 != 0 {
		g.add("Procedure", g.id("bill"), fmt.Sprintf(`"status":"completed",%s,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-pcs","code":"06H03DZ"}]},"performedDateTime":%q`, subject(), near("bill day")))
	}
	if forms&8 != 0 && device != "" {
		g.add("DeviceUseStatement", g.id("use"), fmt.Sprintf(`"status":"active",%s,"device":{"reference":"Device/%s"},"timingPeriod":{"start":%q}`, subject(), device, near("use day")))
	}
	for range rapid.IntRange(0, 2).Draw(g.t, "later") {
		day := (placed + filter.Day(rapid.SampledFrom([]int{0, 5, 40, 60, 62, 200}).Draw(g.t, "later day"))).String()
		focal := ""
		if device != "" && rapid.Bool().Draw(g.t, "removal names device") {
			focal = fmt.Sprintf(`,"focalDevice":[{"manipulated":{"reference":"Device/%s"}}]`, device)
		}
		code := rapid.SampledFrom([]string{`{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}`, `{"system":"http://snomed.info/sct","code":"233439000"}`, `{"system":"http://hl7.org/fhir/sid/icd-10-pcs","code":"06PY3DZ"}`}).Draw(g.t, "removal code")
		status := rapid.SampledFrom([]string{`"status":"completed",`, `"status":"completed",`, `"status":"stopped",`, ``}).Draw(g.t, "removal status")
		outcome := rapid.SampledFrom([]string{"", "", `,"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385669000"}]}`, `,"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385671000"}]}`}).Draw(g.t, "outcome")
		g.add("Procedure", g.id("out"), fmt.Sprintf(`%s%s,"code":{"coding":[%s]},"performedDateTime":%q%s%s`, status, subject(), code, day, focal, outcome))
	}
}

func (g *patientGen) diagnosis() {
	code := rapid.SampledFrom([]string{"I26.99", "I82.412", "I82.220", "K92.2", "D69.6", "T82.525A", "T82.868A", "T82.515D", "Z51.5"}).Draw(g.t, "diagnosis")
	extra := rapid.SampledFrom([]string{"", "", `,"clinicalStatus":{"coding":[{"code":"resolved"}]}`, `,"verificationStatus":{"coding":[{"code":"refuted"}]}`}).Draw(g.t, "clinical status")
	g.add("Condition", g.id("c"), fmt.Sprintf(`%s,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}]},"onsetDateTime":%q%s`, subject(), code, g.day("onset"), extra))
}

func (g *patientGen) order() {
	drug := rapid.SampledFrom([]struct {
		rxcui, dose string
		frequency   int
	}{{"1364445", `{"value":5,"code":"mg"}`, 2}, {"1364435", `{"value":2.5,"code":"mg"}`, 2}, {"854241", `{"value":80,"code":"mg"}`, 2}, {"854235", `{"value":40,"code":"mg"}`, 1}}).Draw(g.t, "drug")
	status := rapid.SampledFrom([]string{"active", "active", "completed", "on-hold"}).Draw(g.t, "order status")
	bounds := ""
	if rapid.Bool().Draw(g.t, "bounded") {
		bounds = fmt.Sprintf(`,"boundsDuration":{"value":%d,"code":"d"}`, rapid.IntRange(5, 200).Draw(g.t, "length"))
	}
	g.add("MedicationRequest", g.id("m"), fmt.Sprintf(`"status":%q,"intent":"order",%s,"authoredOn":%q,"medicationCodeableConcept":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":%q}]},"dosageInstruction":[{"timing":{"repeat":{"frequency":%d,"period":1,"periodUnit":"d"%s}},"doseAndRate":[{"doseQuantity":%s}]}]`,
		status, subject(), g.day("order day"), drug.rxcui, drug.frequency, bounds, drug.dose))
}

func (g *patientGen) resources() []fhir.Resource {
	var out []fhir.Resource
	for _, b := range g.body {
		out = append(out, mustDecode(g.t, b))
	}
	return out
}

func mustDecode(t interface{ Fatalf(string, ...any) }, body string) fhir.Resource {
	r, err := fhir.Decode([]byte(body))
	if err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	return r
}

// retract gives the entered-in-error copy of a resource, in a newer version and stripped to what servers keep.
func retract(t *rapid.T, r fhir.Resource) fhir.Resource {
	status := `"status":"entered-in-error"`
	if r.Type == "Condition" {
		status = `"verificationStatus":{"coding":[{"code":"entered-in-error"}]}`
	}
	return mustDecode(t, fmt.Sprintf(`{"resourceType":%q,"id":%q,"meta":{"versionId":"2","lastUpdated":"2027-01-01T00:00:00Z"},%s}`, r.Type, r.ID, status))
}

// share counts how often something was seen, so that a generator that makes only easy cases is noticed.
type share struct{ runs, several, contradiction int }

func (s share) log(t *testing.T) {
	t.Helper()
	if s.runs == 0 {
		return
	}
	t.Logf("of %d runs %d%% had two filters or more, %d%% a contradiction", s.runs, 100*s.several/s.runs, 100*s.contradiction/s.runs)
	if s.several*5 < s.runs || s.contradiction*10 < s.runs {
		t.Error("the generator makes too few hard cases")
	}
}

func (s *share) count(answer string) {
	s.runs++
	if strings.Count(answer, `"standing":`) > 1 {
		s.several++
	}
	if strings.Contains(answer, `"kind":`) {
		s.contradiction++
	}
}
