package assess_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// patientGen draws one patient's record as conflicting tellers would send it: one event in up to four forms, partial days,
// missing statuses, removals and attempts, diagnoses, orders, values, requests. Ids are unique.
type patientGen struct {
	t       *rapid.T
	n       int
	body    []string
	devices []string // ids of all filters' devices
}

const generatedPatient = "g1"

// firstDay and the asOf range bound the drawn days.
func firstDay() filter.Day { return filter.NewDay(2024, 1, 1) }

func drawPatient(t *rapid.T) ([]fhir.Resource, filter.Day) {
	g := &patientGen{t: t}
	died := ""
	if rapid.IntRange(0, 11).Draw(t, "died") == 0 {
		died = fmt.Sprintf(`,"deceasedDateTime":%q`, g.day("death"))
	}
	born := rapid.SampledFrom([]string{"", `,"birthDate":"1950-03-02"`, `,"birthDate":"1950"`}).Draw(t, "born")
	g.add("Patient", generatedPatient, `"gender":"female"`+born+died)
	for range rapid.IntRange(0, 3).Draw(t, "diagnoses") {
		g.diagnosis()
	}
	for range rapid.SampledFrom([]int{1, 2, 2, 3}).Draw(t, "filters") {
		g.filter()
	}
	for range rapid.IntRange(0, 2).Draw(t, "orders") {
		g.order()
	}
	for range rapid.IntRange(0, 3).Draw(t, "values") {
		g.value()
	}
	for range rapid.IntRange(0, 2).Draw(t, "others") {
		g.other()
	}
	for range rapid.SampledFrom([]int{0, 0, 1, 3}).Draw(t, "signs") {
		g.sign()
	}
	for range rapid.SampledFrom([]int{0, 0, 1, 2}).Draw(t, "entered") {
		g.entered()
	}
	asOf := firstDay() + filter.Day(rapid.IntRange(30, 900).Draw(t, "asOf"))
	out := g.resources()
	for range rapid.IntRange(0, 2).Draw(t, "retractions") {
		out = append(out, retract(t, rapid.SampledFrom(out[1:]).Draw(t, "retracted")))
	}
	return out, asOf
}

// value draws a measured value.
func (g *patientGen) value() {
	v := rapid.SampledFrom([]struct {
		loinc, unit string
		values      []float64
	}{{"29463-7", "kg", []float64{70, 80, 92.5}}, {"777-3", "10*9/L", []float64{30, 49, 50, 200}}, {"6301-6", "{INR}", []float64{1.2, 2, 2.5, 3.4}}, {"718-7", "g/dL", []float64{7.5, 9.5, 12}}, {"2160-0", "mg/dL", []float64{0.8, 1.5, 3.9}}}).Draw(g.t, "measured")
	g.add("Observation", g.id("o"), fmt.Sprintf(`"status":"final",%s,"code":{"coding":[{"system":"http://loinc.org","code":%q}]},"effectiveDateTime":%q,"valueQuantity":{"value":%v,"code":%q}`,
		subject(), v.loinc, g.day("measured day"), rapid.SampledFrom(v.values).Draw(g.t, "value"), v.unit))
}

// sign draws what an examination tells of the filter, the cava or the way to it, by the demonstration's codes; now and then of a device.
func (g *patientGen) sign() {
	v := rapid.SampledFrom([]struct{ code, value string }{
		{"cava-filter-tilt", `"valueQuantity":{"value":4,"code":"deg"}`}, {"cava-filter-tilt", `"valueQuantity":{"value":16,"code":"deg"}`}, {"cava-filter-hook-in-wall", `"valueBoolean":true`}, {"cava-filter-hook-in-wall", `"valueBoolean":false`},
		{"cava-filter-thrombus-share", `"valueQuantity":{"value":30,"code":"%"}`}, {"cava-filter-thrombus-share", `"valueQuantity":{"value":0,"code":"%"}`}, {"cava-occluded", `"valueBoolean":true`},
		{"internal-jugular-open", `"valueBoolean":false`}, {"internal-jugular-open", `"valueBoolean":true`}, {"cava-filter-penetration-grade", `"valueInteger":2,"method":{"text":"scale A"}`}, {"cava-filter-penetration-grade", `"valueInteger":0,"method":{"text":"scale B"}`},
	}).Draw(g.t, "sign")
	of := ""
	if len(g.devices) > 0 && rapid.Bool().Draw(g.t, "names a device") {
		of = fmt.Sprintf(`,"focus":[{"reference":"Device/%s"}]`, rapid.SampledFrom(g.devices).Draw(g.t, "of"))
	}
	if rapid.IntRange(0, 3).Draw(g.t, "a study too") == 0 {
		g.add("ImagingStudy", g.id("study"), fmt.Sprintf(`"status":"available",%s,"started":%q,"procedureCode":[{"coding":[{"system":"urn:example:alder-bay:examination","code":%q}]}]`, subject(), g.day("study day"), rapid.SampledFrom([]string{"ct-abdomen-venous", "cavogram"}).Draw(g.t, "study")))
	}
	g.add("Observation", g.id("sign"), fmt.Sprintf(`"status":"final",%s,"code":{"coding":[{"system":"urn:example:alder-bay:imaging-finding","code":%q}]},"effectiveDateTime":%q,%s%s`, subject(), v.code, g.day("sign day"), v.value, of))
}

// other draws a request, an appointment, a report, a stay or a dispense.
func (g *patientGen) other() {
	switch rapid.IntRange(0, 6).Draw(g.t, "other") {
	case 0:
		code := rapid.SampledFrom([]string{`{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]}`, `{"text":"hip replacement surgery"}`}).Draw(g.t, "requested")
		g.add("ServiceRequest", g.id("sr"), fmt.Sprintf(`"status":"active","intent":"order",%s,"code":%s,"authoredOn":%q,"occurrenceDateTime":%q`, subject(), code, g.day("asked day"), g.day("wanted day")))
	case 1:
		based := ""
		if request := g.some("ServiceRequest"); request != "" {
			based = fmt.Sprintf(`,"basedOn":[{"reference":%q}]`, request)
		}
		words := rapid.SampledFrom([]string{"IVC filter removal", "operation", "visit"}).Draw(g.t, "slot")
		g.add("Appointment", g.id("slot"), fmt.Sprintf(`"status":"booked","description":%q,"created":%q,"start":%q,"participant":[{"actor":{"reference":"Patient/%s"},"status":"accepted"}]%s`, words, g.day("booking day"), g.day("slot day"), generatedPatient, based))
	case 2:
		words := rapid.SampledFrom([]string{"No IVC filter seen in the abdomen.", "New pulmonary embolism.", "No filter fracture."}).Draw(g.t, "conclusion")
		g.add("DiagnosticReport", g.id("ct"), fmt.Sprintf(`"status":"final",%s,"code":{"text":"CT"},"effectiveDateTime":%q,"conclusion":%q`, subject(), g.day("imaging day"), words))
	case 3:
		about := ""
		if c := g.some("Condition"); c != "" {
			about = fmt.Sprintf(`,"reasonReference":[{"reference":%q}]`, c)
		}
		g.add("Encounter", g.id("stay"), fmt.Sprintf(`"status":"finished",%s,"class":{"code":%q},"period":{"start":%q,"end":%q}%s`, subject(), rapid.SampledFrom([]string{"IMP", "EMER"}).Draw(g.t, "class"), g.day("stay from"), g.day("stay to"), about))
	case 4:
		if order := g.some("MedicationRequest"); order != "" {
			g.add("MedicationDispense", g.id("disp"), fmt.Sprintf(`"status":"completed",%s,"whenHandedOver":%q,"authorizingPrescription":[{"reference":%q}],"medicationCodeableConcept":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"1364445"}]}`, subject(), g.day("dispensed"), order))
		}
	case 6:
		g.add("Observation", g.id("walk"), fmt.Sprintf(`"status":"final",%s,"code":{"text":"Mobility"},"effectiveDateTime":%q,"valueString":%q`, subject(), g.day("walked"), rapid.SampledFrom([]string{"Fully mobile", "Not mobile"}).Draw(g.t, "mobility")))
	case 5:
		g.add("MedicationStatement", g.id("ms"), fmt.Sprintf(`"status":%q,%s,"medicationCodeableConcept":{"text":"apixaban 5 mg"},"effectivePeriod":{"start":%q,"end":%q},"dosage":[{"timing":{"code":{"text":"BID"}}}]`,
			rapid.SampledFrom([]string{"active", "completed", "not-taken", "Active"}).Draw(g.t, "statement"), subject(), g.day("taken from"), g.day("taken to")))
	}
}

// some gives a reference to an entry of a kind that has been drawn before, "" where there is none.
func (g *patientGen) some(kind string) string {
	var refs []string
	for _, b := range g.body {
		if r := mustDecode(g.t, b); r.Type == kind {
			refs = append(refs, r.Ref())
		}
	}
	if len(refs) == 0 {
		return ""
	}
	return rapid.SampledFrom(refs).Draw(g.t, kind)
}

func subject() string { return `"subject":{"reference":"Patient/` + generatedPatient + `"}` }

func (g *patientGen) id(prefix string) string {
	g.n++
	return fmt.Sprintf("%s%d", prefix, g.n)
}

func (g *patientGen) add(kind, id, members string) {
	g.body = append(g.body, fmt.Sprintf(`{"resourceType":%q,"id":%q,%s%s}`, kind, id, g.meta(), members))
}

// meta draws when an entry was written: mostly after all that it tells, now and then before it happened, or not said at all.
func (g *patientGen) meta() string {
	return rapid.SampledFrom([]string{
		`"meta":{"versionId":"1","lastUpdated":"2026-12-31T00:00:00Z"},`, `"meta":{"versionId":"1","lastUpdated":"2026-12-31T00:00:00Z"},`, `"meta":{"versionId":"1","lastUpdated":"2026-12-31T00:00:00Z"},`,
		`"meta":{"versionId":"1","lastUpdated":"2024-07-01T00:00:00Z"},`, `"meta":{"versionId":"1"},`,
	}).Draw(g.t, "written")
}

// note draws words for an entry, or none.
func (g *patientGen) note(words ...string) string {
	text := rapid.SampledFrom(append([]string{"", "", ""}, words...)).Draw(g.t, "note")
	if text == "" {
		return ""
	}
	return fmt.Sprintf(`,"note":[{"text":%q}]`, text)
}

// modifier draws a modifier of a billed service, in one of the forms that feeds use, or none.
func (g *patientGen) modifier() string {
	return rapid.SampledFrom([]string{"", "", "", "", "", "",
		`,"extension":[{"url":"http://example.org/fhir/modifier","valueCode":"53"}]`,
		`,"modifierExtension":[{"url":"http://example.org/fhir/x","valueCoding":{"system":"http://www.ama-assn.org/go/cpt","code":"52"}}]`,
	}).Draw(g.t, "modifier")
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
	if forms&1 != 0 || forms == 8 {
		device = g.id("dev")
		status := rapid.SampledFrom([]string{"active", "active", "active", "inactive"}).Draw(g.t, "device status")
		g.devices = append(g.devices, device)
		g.add("Device", device, fmt.Sprintf(`"status":%q,"patient":{"reference":"Patient/%s"},"type":{"text":"vena cava filter"},"modelNumber":"M-%d"`, status, generatedPatient, rapid.IntRange(1, 2).Draw(g.t, "model")))
	}
	if forms&2 != 0 || forms == 1 && rapid.Bool().Draw(g.t, "procedure too") {
		focal := ""
		if device != "" && rapid.Bool().Draw(g.t, "names device") {
			focal = fmt.Sprintf(`,"focalDevice":[{"manipulated":{"reference":"Device/%s"}}]`, device)
		}
		status := rapid.SampledFrom([]string{`"status":"completed",`, `"status":"completed",`, `"status":"completed",`, `"status":"unknown",`, ``}).Draw(g.t, "status")
		g.add("Procedure", g.id("put"), fmt.Sprintf(`%s%s,"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"performedDateTime":%q%s%s%s%s`, status, subject(), near("procedure day"), focal, g.reason(), g.modifier(),
			rapid.SampledFrom([]string{"", "", "", "", `,"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385671000"}]}`}).Draw(g.t, "placement outcome")))
	}
	if forms&4 != 0 {
		g.add("Procedure", g.id("bill"), fmt.Sprintf(`"status":"completed",%s,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-pcs","code":"06H03DZ"}]},"performedDateTime":%q%s`, subject(), near("bill day"), g.note("second IVC filter", "additional filter placed above the first")))
	}
	if forms&8 != 0 && device != "" {
		g.add("DeviceUseStatement", g.id("use"), fmt.Sprintf(`"status":%q,%s,"device":{"reference":"Device/%s"},"timingPeriod":{"start":%q%s}`,
			rapid.SampledFrom([]string{"active", "active", "completed"}).Draw(g.t, "use status"), subject(), device, near("use day"), g.useEnd(placed)))
	}
	for range rapid.IntRange(0, 2).Draw(g.t, "later") {
		day := (placed + filter.Day(rapid.SampledFrom([]int{0, 5, 40, 60, 62, 200}).Draw(g.t, "later day"))).String()
		focal := ""
		if device != "" && rapid.Bool().Draw(g.t, "removal names device") {
			focal = fmt.Sprintf(`{"manipulated":{"reference":"Device/%s"}}`, device)
			if other := rapid.SampledFrom(g.devices).Draw(g.t, "removal names another"); other != device {
				focal += fmt.Sprintf(`,{"manipulated":{"reference":"Device/%s"}}`, other)
			}
			focal = `,"focalDevice":[` + focal + `]`
		}
		if rapid.IntRange(0, 3).Draw(g.t, "clock") == 0 {
			day += rapid.SampledFrom([]string{"T08:00:00Z", "T16:00:00Z"}).Draw(g.t, "hour")
		}
		if rapid.IntRange(0, 5).Draw(g.t, "undated") == 0 {
			day = "2024-02-30"
		}
		code := rapid.SampledFrom([]string{`{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}`, `{"system":"http://snomed.info/sct","code":"233439000"}`, `{"system":"http://hl7.org/fhir/sid/icd-10-pcs","code":"06PY3DZ"}`}).Draw(g.t, "removal code")
		status := rapid.SampledFrom([]string{`"status":"completed",`, `"status":"completed",`, `"status":"stopped",`, ``}).Draw(g.t, "removal status")
		outcome := rapid.SampledFrom([]string{"", "", `,"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385669000"}]}`, `,"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385671000"}]}`, `,"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385670004"}]}`}).Draw(g.t, "outcome")
		g.add("Procedure", g.id("out"), fmt.Sprintf(`%s%s,"code":{"coding":[%s]},"performedDateTime":%q%s%s%s%s`, status, subject(), code, day, focal, outcome,
			g.note("partially removed", "a fragment is retained", "no fragment is left"), g.modifier()))
	}
}

// useEnd draws the end of a device's use, or none.
func (g *patientGen) useEnd(placed filter.Day) string {
	if !rapid.Bool().Draw(g.t, "use ended") {
		return ""
	}
	return fmt.Sprintf(`,"end":%q`, placed+filter.Day(rapid.SampledFrom([]int{0, 30, 100, 800}).Draw(g.t, "use length")))
}

// reason draws why a filter was placed and whether it was meant to stay.
func (g *patientGen) reason() string {
	switch rapid.IntRange(0, 7).Draw(g.t, "reason") {
	case 0:
		return `,"reasonCode":[{"text":"prophylaxis before surgery"}]`
	case 1:
		if c := g.some("Condition"); c != "" {
			return fmt.Sprintf(`,"reasonReference":[{"reference":%q}]`, c)
		}
	case 2:
		return `,"note":[{"text":"permanent filter"}]`
	case 3, 4:
		code := rapid.SampledFrom([]string{"I26.99", "I82.412", "I82.220"}).Draw(g.t, "reason's code")
		return fmt.Sprintf(`,"reasonCode":[{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}]}]`, code)
	}
	return ""
}

func (g *patientGen) diagnosis() {
	code := rapid.SampledFrom([]string{"I26.99", "I82.412", "I82.220", "K92.2", "D69.6", "T82.525A", "T82.868A", "T82.838A", "T82.515A", "T82.515D", "T82.595A", "Z51.5", "D75.82", "D68.1"}).Draw(g.t, "diagnosis")
	extra := rapid.SampledFrom([]string{"", "", `,"clinicalStatus":{"coding":[{"code":"resolved"}]}`, `,"verificationStatus":{"coding":[{"code":"refuted"}]}`}).Draw(g.t, "clinical status")
	if rapid.IntRange(0, 3).Draw(g.t, "recorded too") == 0 {
		extra += fmt.Sprintf(`,"onsetDateTime":%q,"recordedDate":%q`, g.day("onset"), g.day("recorded"))
	} else {
		extra += fmt.Sprintf(`,%q:%q`, rapid.SampledFrom([]string{"onsetDateTime", "onsetDateTime", "onsetDateTime", "recordedDate"}).Draw(g.t, "day of"), g.day("onset"))
	}
	g.add("Condition", g.id("c"), fmt.Sprintf(`%s,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}]}%s%s`, subject(), code, extra,
		g.note("strut in the right ventricle", "filter in the right atrium", "history of heart failure", "pain", "new", "no symptoms", "fragment missing")))
}

func (g *patientGen) order() {
	drug := rapid.SampledFrom([]struct {
		rxcui, dose string
		frequency   int
	}{{"1364445", `{"value":5,"code":"mg"}`, 2}, {"1364435", `{"value":2.5,"code":"mg"}`, 2}, {"854241", `{"value":80,"code":"mg"}`, 2}, {"854235", `{"value":40,"code":"mg"}`, 1}, {"11289", `{"value":5,"code":"mg"}`, 1}}).Draw(g.t, "drug")
	status := rapid.SampledFrom([]string{"active", "active", "completed", "on-hold", "banana"}).Draw(g.t, "order status")
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
type share struct{ runs, several, contradiction, retraction int }

func (s share) log(t *testing.T) {
	t.Helper()
	if s.runs == 0 {
		return
	}
	t.Logf("of %d runs %d%% had two filters or more, %d%% a contradiction, %d%% a retraction", s.runs, 100*s.several/s.runs, 100*s.contradiction/s.runs, 100*s.retraction/s.runs)
	if s.several*5 < s.runs || s.contradiction*10 < s.runs || s.retraction*10 < s.runs {
		t.Error("the generator makes too few hard cases")
	}
}

func (s *share) count(resources []fhir.Resource, answer string) {
	s.runs++
	if slices.ContainsFunc(resources, func(r fhir.Resource) bool { return bytes.Contains(r.Raw, []byte("entered-in-error")) }) {
		s.retraction++
	}
	if strings.Count(answer, `"standing":`) > 1 {
		s.several++
	}
	if strings.Contains(answer, `"kind":`) {
		s.contradiction++
	}
}
