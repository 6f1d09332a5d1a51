package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// things lists what procedures and orders name, as "patient value", with the value of an element of the thing.
func (h *house) things(element string) []string {
	h.t.Helper()
	const read = `
		SELECT r.patient_id || ' ' || coalesce(m.doc->>$1, m.doc->'code'->>'text')
		FROM resource r JOIN resource m ON m.current AND NOT m.deleted AND m.feed = r.feed AND r.refs @> ARRAY[m.type || '/' || m.id]
		WHERE r.current AND NOT r.deleted AND m.type IN ('Device', 'Medication') ORDER BY 1`
	return h.lines(read, element)
}

// TestAMedicationUnderAUsedName: no patient loses the drug of an order, and none gets another's.
func TestAMedicationUnderAUsedName(t *testing.T) {
	t.Parallel()
	const urnOrder, urnSecond = "urn:uuid:5b0c3c1e-4a50-4a3b-9d1e-0a3a9f1f1b05", "urn:uuid:5b0c3c1e-4a50-4a3b-9d1e-0a3a9f1f1b06"
	sent := func(kind, patient, order, drug, meta string) string {
		return bundle(kind, posting("Procedure", "", strings.Replace(placedFor("Patient/"+patient, "2025-05-01"), `{`, `{"id":"p-`+patient+`",`, 1)),
			posting("Medication", urnDevice, `{"resourceType":"Medication",`+meta+`"code":{"text":"`+drug+`","coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"11289"}]}}`),
			posting("MedicationRequest", order, `{"resourceType":"MedicationRequest","status":"active","intent":"order","medicationReference":{"reference":"`+urnDevice+`"},"subject":{"reference":"Patient/`+patient+`"}}`))
	}
	const early, late = `"meta":{"lastUpdated":"2026-01-01T08:00:00Z"},`, `"meta":{"lastUpdated":"2026-01-02T08:00:00Z"},`
	for name, c := range map[string]struct {
		then []string
		want []string
	}{
		"another time":            {[]string{sent("batch", "ben", urnSecond, "warfarin", late)}, []string{"ann warfarin", "ben warfarin"}},
		"an earlier time":         {[]string{sent("batch", "ben", urnSecond, "warfarin", early)}, []string{"ann warfarin", "ben warfarin"}},
		"a transaction":           {[]string{sent("transaction", "ben", urnSecond, "heparin", late)}, []string{"ann warfarin", "ben heparin"}},
		"another drug":            {[]string{sent("batch", "ben", urnSecond, "heparin", late)}, []string{"ann warfarin", "ben heparin"}},
		"the same, then another":  {[]string{sent("batch", "ben", urnSecond, "warfarin", late), sent("batch", "ben", urnSecond, "heparin", late)}, []string{"ann warfarin", "ben heparin"}},
		"another, and once more":  {[]string{sent("batch", "ben", urnSecond, "heparin", late), sent("batch", "ben", urnSecond, "aspirin", late)}, []string{"ann warfarin", "ben aspirin"}},
		"the first one's changed": {[]string{sent("batch", "ben", urnSecond, "warfarin", late), sent("batch", "ann", urnOrder, "heparin", late)}, []string{"ann heparin", "ben warfarin"}},
		"for one patient only":    {[]string{sent("batch", "ann", urnOrder, "heparin", late)}, []string{"ann heparin"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, 0)
			for _, body := range append([]string{sent("batch", "ann", urnOrder, "warfarin", early)}, c.then...) {
				if w := h.send(http.MethodPost, "/fhir", []byte(body)); w.Code != http.StatusOK || strings.Contains(w.Body.String(), `"422`) {
					t.Errorf("%d %s", w.Code, w.Body)
				}
			}
			if diff := cmp.Diff(c.want, h.things("none")); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestOnePersonUnderTemporaryNames: twins are two people, a correction is the same person, and a Patient with a fresh temporary name whose
// procedure came before goes on as who it was.
func TestOnePersonUnderTemporaryNames(t *testing.T) {
	t.Parallel()
	eve := strings.Replace(ada, "Ada", "Eve", 1)
	bare := func(patient string) string {
		return strings.Replace(patient, `"identifier":[{"system":"urn:example:mrn","value":"1"}],`, "", 1)
	}
	nameless := func(patient string) string { return strings.Replace(bare(patient), `,"birthDate":"1950-02-01"`, "", 1) }
	refused := []string{"422 Bundle.entry[0].fullUrl", "422 Bundle.entry[1].resource"}
	other := []string{"200", "422 Bundle.entry[1].fullUrl"}
	updated := []string{"200", "200"}
	for name, c := range map[string]struct {
		first, second, urn string
		want               []string
	}{
		"twins":                        {bare(ada), bare(eve), urnPatient, refused},
		"twins, one with a number":     {ada, bare(eve), urnPatient, refused},
		"twins, the other with one":    {bare(ada), eve, urnPatient, refused},
		"twins by name only":           {nameless(ada), nameless(eve), urnPatient, refused},
		"a corrected number":           {ada, strings.Replace(ada, `"value":"1"`, `"value":"9"`, 1), urnPatient, updated},
		"a rewritten system":           {ada, strings.Replace(ada, "urn:example:mrn", "urn:example:hospital", 1), urnPatient, updated},
		"corrected birth and name":     {ada, strings.NewReplacer("Ada", "Ida", "1950", "1951").Replace(ada), urnPatient, updated},
		"a fresh name":                 {ada, ada, urnOther, updated},
		"a fresh name, corrected":      {ada, strings.NewReplacer("Ada", "Ida", "1950", "1951").Replace(ada), urnOther, updated},
		"a fresh name, no number":      {bare(ada), bare(ada), urnOther, updated},
		"a fresh name, another person": {ada, ben, urnOther, other},
		"a fresh name, a twin":         {bare(ada), bare(eve), urnOther, other},
		"a fresh name, name only":      {nameless(ada), nameless(ada), urnOther, other},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, 0)
			h.send(http.MethodPost, "/fhir", []byte(bundle("transaction", posting("Patient", urnPatient, c.first), posting("Procedure", urnFilter, placedFor(urnPatient, "2025-05-01")))))
			for range 2 {
				w := h.send(http.MethodPost, "/fhir", []byte(bundle("batch", posting("Patient", c.urn, c.second), posting("Procedure", urnFilter, placedFor(c.urn, "2025-06-01")))))
				if diff := cmp.Diff(c.want, told(t, w.Body.Bytes())); diff != "" {
					t.Errorf("(-want +got):\n%s\n%s", diff, w.Body)
				}
			}
			day, patients := "Procedure 2025-05-01", 0
			if cmp.Equal(c.want, updated) {
				day = "Procedure 2025-06-01"
			}
			for _, kept := range h.days() {
				if strings.HasPrefix(kept, "Patient") {
					patients++
				} else if kept != day {
					t.Errorf("kept %s, want %s", kept, day)
				}
			}
			if patients != 1 {
				t.Errorf("%d Patients: %v", patients, h.days())
			}
			for _, line := range h.charts() {
				if id, rest, _ := strings.Cut(line, ": "); strings.HasPrefix(rest, "Procedure") && rest != "Procedure Patient/"+id {
					t.Errorf("the procedure is about somebody else: %s", line)
				}
			}
		})
	}
}

// TestAFilterWithItsDeviceUnderAFreshName: the device of the person of before is that person's still; that of another person, whose
// procedure is refused, changes nothing of it.
func TestAFilterWithItsDeviceUnderAFreshName(t *testing.T) {
	t.Parallel()
	sent := func(patient, urn, serial string) []byte {
		return []byte(bundle("batch",
			posting("Procedure", urnFilter, strings.TrimSuffix(placedFor(urn, "2025-05-01"), "}")+`,"focalDevice":[{"manipulated":{"reference":"`+urnDevice+`"}}]}`),
			posting("Device", urnDevice, `{"resourceType":"Device","status":"active","serialNumber":"`+serial+`",`+filterDevice+`}`),
			posting("Patient", urn, patient)))
	}
	h := newHouse(t, 0)
	for _, c := range []struct {
		body []byte
		want []string
		kept string
	}{
		{sent(ada, urnPatient, "A1"), []string{"201", "201", "201"}, "A1"},
		{sent(ada, urnOther, "A2"), []string{"200", "200", "200"}, "A2"},
		{sent(ben, urnOther, "B1"), []string{"422 Bundle.entry[0].fullUrl", "201", "200"}, "A2"},
		{sent(ben, urnPatient, "B1"), []string{"422 Bundle.entry[0].resource", "422 Bundle.entry[1].fullUrl", "422 Bundle.entry[2].fullUrl"}, "A2"},
	} {
		w := h.send(http.MethodPost, "/fhir", c.body)
		if diff := cmp.Diff(c.want, told(t, w.Body.Bytes())); diff != "" {
			t.Errorf("(-want +got):\n%s\n%s", diff, w.Body)
		}
		if got := h.things("serialNumber"); len(got) != 1 || !strings.HasSuffix(got[0], " "+c.kept) {
			t.Errorf("the procedure's device: %v, want %s", got, c.kept)
		}
	}
}
