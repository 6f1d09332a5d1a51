package api_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/api"
)

// The temporary names of a sender's template.
const (
	urnPatient = "urn:uuid:5b0c3c1e-4a50-4a3b-9d1e-0a3a9f1f1b01"
	urnFilter  = "urn:uuid:5b0c3c1e-4a50-4a3b-9d1e-0a3a9f1f1b02"
	urnDevice  = "urn:uuid:5b0c3c1e-4a50-4a3b-9d1e-0a3a9f1f1b03"
	urnOther   = "urn:uuid:5b0c3c1e-4a50-4a3b-9d1e-0a3a9f1f1b04"

	ada = `{"resourceType":"Patient","identifier":[{"system":"urn:example:mrn","value":"1"}],"name":[{"family":"Moor","given":["Ada"]}],"birthDate":"1950-02-01"}`
	ben = `{"resourceType":"Patient","identifier":[{"system":"urn:example:mrn","value":"2"}],"name":[{"family":"Holt","given":["Ben"]}],"birthDate":"1961-07-09"}`
)

func placedFor(subject, day string) string {
	return `{"resourceType":"Procedure","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"performedDateTime":"` + day + `","subject":{"reference":"` + subject + `"}}`
}

func weightOf(subject string) string {
	return `{"resourceType":"Observation","status":"final","code":{"text":"weight"},"subject":{"reference":"` + subject + `"}}`
}

// told reads the entries of an answer as "status expression", one for each.
func told(t *testing.T, body []byte) []string {
	t.Helper()
	var b struct {
		Entry []struct {
			Response struct {
				Status  string
				Outcome struct {
					Issue []struct {
						Code       string
						Expression []string
					}
				}
			}
		}
	}
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range b.Entry {
		line := e.Response.Status[:3]
		for _, i := range e.Response.Outcome.Issue {
			if i.Code == "conflict" {
				line += " " + strings.Join(i.Expression, " ")
			}
		}
		out = append(out, line)
	}
	return out
}

// days lists what is kept as "Type day", with the day of birth or of the procedure.
func (h *house) days() []string {
	h.t.Helper()
	const read = `
		SELECT r.type || coalesce(' ' || (r.doc->>'birthDate'), '') || coalesce(' ' || (r.doc->>'performedDateTime'), '')
		FROM resource r WHERE r.current AND NOT r.deleted ORDER BY 1`
	return h.lines(read)
}

// TestATemplateIsFilledForTwoPatients: the temporary names of the first patient's entries, used again for the second, move nothing;
// what is refused is named and kept aside. The same Bundle again, or with a corrected day, stays one resource.
func TestATemplateIsFilledForTwoPatients(t *testing.T) {
	t.Parallel()
	first := []string{posting("Patient", urnPatient, ada), posting("Procedure", urnFilter, placedFor(urnPatient, "2025-05-01"))}
	kept := []string{"Patient 1950-02-01", "Procedure 2025-05-01"}
	for name, c := range map[string]struct {
		second []string
		kind   string
		status int
		told   []string
		kept   []string
		aside  []bool // what is kept aside, and whether with its bytes
	}{
		"the same again":  {first, "batch", 200, []string{"200", "200"}, kept, nil},
		"a corrected day": {[]string{first[0], posting("Procedure", urnFilter, placedFor(urnPatient, "2025-05-02"))}, "transaction", 200, []string{"200", "200"}, []string{"Patient 1950-02-01", "Procedure 2025-05-02"}, nil},
		"the whole template": {[]string{posting("Patient", urnPatient, ben), posting("Procedure", urnFilter, placedFor(urnPatient, "2025-06-01"))}, "batch", 200,
			[]string{"422 Bundle.entry[0].fullUrl", "422 Bundle.entry[1].resource"}, kept, []bool{true, true}},
		"the Patient last, with an entry of its own name": {[]string{posting("Observation", urnOther, weightOf(urnPatient)), posting("Patient", urnPatient, ben)}, "batch", 200,
			[]string{"422 Bundle.entry[0].resource", "422 Bundle.entry[1].fullUrl"}, kept, []bool{true, true}},
		"a transaction": {[]string{posting("Patient", urnPatient, ben), posting("Procedure", urnOther, placedFor(urnPatient, "2025-06-01"))}, "transaction", 422, nil, kept, []bool{true}},
		"a Patient of the record": {[]string{posting("Procedure", urnFilter, placedFor("Patient/ben", "2025-06-01")), posting("Procedure", urnOther, placedFor("Patient/ben", "2025-06-02"))}, "batch", 200,
			[]string{"422 Bundle.entry[0].fullUrl", "201"}, append([]string{kept[0], kept[1]}, "Procedure 2025-06-02"), []bool{true}},
		"a Patient that no entry bears": {[]string{posting("Procedure", urnFilter, placedFor(urnOther, "2025-06-01"))}, "batch", 200, []string{"422 Bundle.entry[0].fullUrl"}, kept, []bool{true}},
		"a retraction of another patient's": {[]string{posting("Procedure", urnFilter, strings.Replace(placedFor("Patient/ben", "2025-06-01"), "completed", "entered-in-error", 1))}, "batch", 200,
			[]string{"422 Bundle.entry[0].fullUrl"}, kept, []bool{true}},
		"a link to the refused Patient": {[]string{posting("Patient", urnPatient, ben),
			posting("Patient", urnOther, `{"resourceType":"Patient","link":[{"other":{"reference":"`+urnPatient+`"},"type":"replaces"}]}`)}, "batch", 200,
			[]string{"422 Bundle.entry[0].fullUrl", "422 Bundle.entry[1].resource"}, kept, []bool{true, true}},
		"merged into the record's own": {[]string{posting("Patient", urnPatient, ada),
			posting("Patient", urnOther, `{"resourceType":"Patient","id":"ada","link":[{"other":{"reference":"`+urnPatient+`"},"type":"replaces"}]}`),
			posting("Procedure", urnFilter, placedFor("Patient/ada", "2025-05-01"))}, "batch", 200,
			[]string{"200", "201", "200"}, []string{"Patient", "Patient 1950-02-01", "Procedure 2025-05-01"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, 0)
			if got := told(t, h.send(http.MethodPost, "/fhir", []byte(bundle("transaction", first...))).Body.Bytes()); !cmp.Equal(got, []string{"201", "201"}) {
				t.Fatalf("the first patient: %v", got)
			}
			w := h.send(http.MethodPost, "/fhir", []byte(bundle(c.kind, c.second...)))
			if w.Code != c.status {
				t.Errorf("%d %s", w.Code, w.Body)
			}
			if c.told == nil {
				if !strings.Contains(w.Body.String(), "Bundle.entry[0].fullUrl") || !strings.Contains(w.Body.String(), "Bundle.entry[1].resource") {
					t.Errorf("%s", w.Body)
				}
			} else if diff := cmp.Diff(c.told, told(t, w.Body.Bytes())); diff != "" {
				t.Errorf("answers (-want +got):\n%s\n%s", diff, w.Body)
			}
			if diff := cmp.Diff(c.kept, h.days()); diff != "" {
				t.Errorf("kept (-want +got):\n%s", diff)
			}
			var aside []bool
			for _, r := range h.aside {
				aside = append(aside, r.Keep && len(r.Body) > 0)
			}
			if diff := cmp.Diff(c.aside, aside); diff != "" {
				t.Errorf("kept aside (-want +got):\n%s", diff)
			}
			// What lies aside is refused again, and still changes nothing.
			for n := range h.aside {
				if w := h.send(http.MethodPost, "/quarantine/"+string(rune('1'+n))+"/replay", nil); w.Code != http.StatusUnprocessableEntity {
					t.Errorf("replay %d: %d %s", n, w.Code, w.Body)
				}
			}
			if diff := cmp.Diff(c.kept, h.days()); diff != "" {
				t.Errorf("after the replay (-want +got):\n%s", diff)
			}
		})
	}
}

// TestADeviceUnderAUsedNameHasItsOwn: a device that names no patient is of those whose entries name it. That of the second patient is
// kept under a name of its own, and the first one's stays; an unreadable one names nothing, nor does an unreadable entry name a refused
// Patient in the quarantine.
func TestADeviceUnderAUsedNameHasItsOwn(t *testing.T) {
	t.Parallel()
	device := func(serial string) string {
		return posting("Device", urnDevice, `{"resourceType":"Device","status":"active","serialNumber":"`+serial+`",`+filterDevice+`}`)
	}
	using := func(urn, subject string) string {
		return posting("Procedure", urn, strings.TrimSuffix(placedFor(subject, "2025-05-01"), "}")+`,"focalDevice":[{"manipulated":{"reference":"`+urnDevice+`"}}]}`)
	}
	h := newHouse(t, 0)
	h.send(http.MethodPost, "/fhir", []byte(bundle("batch", device("A1"), using(urnFilter, "Patient/ann"))))
	before := h.charts()
	w := h.send(http.MethodPost, "/fhir", []byte(bundle("batch", device("B2"), using(urnOther, "Patient/ben"))))
	if diff := cmp.Diff([]string{"201", "201"}, told(t, w.Body.Bytes())); diff != "" {
		t.Errorf("(-want +got):\n%s\n%s", diff, w.Body)
	}
	if diff := cmp.Diff([]string{"ann A1", "ben B2"}, h.things("serialNumber")); diff != "" {
		t.Errorf("kept (-want +got):\n%s", diff)
	}
	want := append(append([]string{}, before...), "ben: Procedure Patient/ben "+urnDevice)
	// Nor where it cannot be read this time.
	cut := newHouse(t, 0)
	cut.send(http.MethodPost, "/fhir", []byte(bundle("batch", device("A1"), using(urnFilter, "Patient/ann"))))
	w = cut.send(http.MethodPost, "/fhir", []byte(bundle("batch", strings.Replace(device("B2"), `"active"`, `["active"]`, 1), using(urnOther, "Patient/ben"))))
	if diff := cmp.Diff([]string{"400", "201"}, told(t, w.Body.Bytes())); diff != "" {
		t.Errorf("(-want +got):\n%s\n%s", diff, w.Body)
	}
	if diff := cmp.Diff(want, cut.charts()); diff != "" {
		t.Errorf("kept beside an unreadable device (-want +got):\n%s", diff)
	}
	// The same one for the first patient again, and one that tells the same, change nothing; a corrected one is still the second one's own.
	for _, again := range []string{bundle("batch", device("A1"), using(urnFilter, "Patient/ann")), bundle("batch", device("A1"), using(urnOther, "Patient/ben"))} {
		if got := h.send(http.MethodPost, "/fhir", []byte(again)).Body.String(); strings.Contains(got, "422") {
			t.Errorf("%s", got)
		}
	}
	h.send(http.MethodPost, "/fhir", []byte(bundle("batch", device("B3"), using(urnOther, "Patient/ben"))))
	if diff := cmp.Diff([]string{"ann A1", "ben B3"}, h.things("serialNumber")); diff != "" {
		t.Errorf("corrected (-want +got):\n%s", diff)
	}

	whole := newHouse(t, 0)
	whole.send(http.MethodPost, "/fhir", []byte(bundle("batch", posting("Patient", urnPatient, ada), device("A1"), using(urnFilter, urnPatient))))
	w = whole.send(http.MethodPost, "/fhir", []byte(bundle("batch", posting("Patient", urnPatient, ben), device("B2"), using(urnFilter, urnPatient))))
	if diff := cmp.Diff([]string{"422 Bundle.entry[0].fullUrl", "422 Bundle.entry[1].fullUrl", "422 Bundle.entry[2].resource"}, told(t, w.Body.Bytes())); diff != "" {
		t.Errorf("the whole template (-want +got):\n%s\n%s", diff, w.Body)
	}

	patient := newHouse(t, 0)
	patient.send(http.MethodPost, "/fhir", []byte(bundle("batch", posting("Patient", urnPatient, ada), posting("Procedure", urnFilter, placedFor(urnPatient, "2025-05-01")))))
	unread := posting("Procedure", urnOther, strings.Replace(placedFor(urnPatient, "2025-06-01"), `"completed"`, `["completed"]`, 1))
	patient.send(http.MethodPost, "/fhir", []byte(bundle("batch", posting("Patient", urnPatient, ben), unread)))
	if len(patient.aside) != 2 || !strings.Contains(string(patient.aside[1].Body), urnPatient) {
		t.Errorf("kept aside: %s", bodies(patient.aside))
	}
}

func bodies(aside []api.Refused) (out []string) {
	for _, r := range aside {
		out = append(out, string(r.Body))
	}
	return out
}

// TestAnAssessmentOfTwoPatientsUnderOneName is refused: it would be one of neither.
func TestAnAssessmentOfTwoPatientsUnderOneName(t *testing.T) {
	t.Parallel()
	one := func(patient, day string) string {
		return bundle("collection", posting("Patient", urnPatient, patient), posting("Procedure", urnFilter, placedFor(urnPatient, day)))
	}
	h := newHouse(t, 0)
	for body, want := range map[string]string{
		one(ada, "2025-05-01") + "\n" + one(ben, "2025-06-01"): "line 2: Bundle.entry[0].fullUrl: ",
		bundle("collection", posting("Procedure", urnFilter, placedFor("Patient/a", "2025-05-01")), posting("Procedure", urnFilter, placedFor("Patient/b", "2025-05-01"))): "Bundle.entry[1].fullUrl",
		one(ada, "2025-05-01") + "\n" + one(ada, "2025-06-01"): "name no patient", // the house assesses nothing
	} {
		if w := h.send(http.MethodPost, "/assess?on=2026-03-01", []byte(body)); !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: %d %s", body, w.Code, w.Body)
		}
	}
}
