package api

import (
	"errors"
	"strings"
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"

	"github.com/google/go-cmp/cmp"
)

const assessment = `{"asOf":"2026-03-01","patient":"Patient/p1","policy":"default@1","filters":[],"unread":[]}`

func TestAssessReadsDocuments(t *testing.T) {
	t.Parallel()
	device := `{"resourceType":"Device","id":"d"}`
	for name, c := range map[string]struct{ body, media, want string }{
		"one resource": {procedure, "application/fhir+json", "Procedure/p-1"},
		"an odd day":   {`{"resourceType":"Procedure","id":"p-1","status":5,"performedDateTime":null,"subject":{"reference":"Patient/x"}}`, "application/json", "Procedure/p-1"},
		"indented":     {"{\n \"resourceType\": \"Device\",\n \"id\": \"d\"\n}\n", "application/json", "Device/d"},
		"collection":   {bundleOf("collection", `{"resource":`+procedure+`}`, `{"resource":{"resourceType":"Organization","id":"o"}}`, `{"resource":`+device+`}`), "application/json", "Procedure/p-1 Device/d"},
		"transaction":  {bundleOf("transaction", entryOf(device, "PUT", "Device/d"), entryOf(procedure, "PUT", "Procedure/p-1"), `{"request":{"method":"DELETE","url":"Device/d"}}`), "application/json", "Procedure/p-1"},
		"history":      {bundleOf("history", entryOf(`{"resourceType":"Device","id":"d","meta":{"versionId":"2"}}`, "PUT", "Device/d"), entryOf(`{"resourceType":"Device","id":"d","meta":{"versionId":"1"}}`, "PUT", "Device/d")), "application/json", "Device/d@2"},
		"lines":        {procedure + "\r\n\n" + bundleOf("collection", `{"resource":`+device+`}`) + "\n", "application/fhir+ndjson", "Procedure/p-1 Device/d"},
		"copies":       {`{"resourceType":"Device","id":"d","meta":{"versionId":"2"}}` + "\n" + `{"resourceType":"Device","id":"d","meta":{"versionId":"1"}}` + "\n", "application/fhir+ndjson", "Device/d@2 Device/d@1"},
		"put back":     {bundleOf("batch", entryOf(device, "PUT", "Device/d"), `{"request":{"method":"DELETE","url":"Device/d"}}`, entryOf(device, "PUT", "Device/d")), "application/json", "Device/d"},
	} {
		r := setup(t, nil)
		w := r.send("POST", "/assess?on=2026-02-28", c.body, "Content-Type: "+c.media)
		var got []string
		for _, res := range r.assessed {
			ref := res.Ref()
			if res.VersionID != "" {
				ref += "@" + res.VersionID
			}
			got = append(got, ref)
		}
		if strings.Join(got, " ") != c.want || w.Code != 200 || r.on.String() != "2026-02-28" {
			t.Errorf("%s: %d on %v, got %v, want %s: %s", name, w.Code, r.on, got, c.want, w.Body)
		}
		if len(r.calls)+len(r.quarantined) != 0 {
			t.Errorf("%s: something was stored", name)
		}
	}
}

// The clock of the test stands at 23:30 UTC; at the hospital, one hour ahead, it is the next day already.
func TestAssessTodayIsTodayAtTheHospital(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	if r.send("POST", "/assess", procedure); r.on.String() != "2026-03-02" {
		t.Errorf("assessed on %v", r.on)
	}
}

func TestAssessAnswers(t *testing.T) {
	t.Parallel()
	one, two := []byte(assessment), []byte("{\n \"asOf\":\"2026-03-01\",\"patient\":\"Patient/p2\",\"policy\":\"default@1\",\"filters\":[],\"unread\":[]}")
	for name, c := range map[string]struct {
		answers     [][]byte
		err         error
		accept      string
		status      int
		media, want string
	}{
		"one":               {[][]byte{one}, nil, "", 200, plainJSON, assessment},
		"one, as lines":     {[][]byte{one}, nil, "application/x-ndjson", 200, ndjson, assessment + "\n"},
		"several":           {[][]byte{one, two}, nil, "", 200, ndjson, assessment + "\n" + strings.Replace(assessment, "p1", "p2", 1) + "\n"},
		"nobody":            {nil, nil, "", 422, fhirJSON, "error not-found"},
		"invalid":           {nil, &fhir.Invalid{Issues: []fhir.Issue{{Severity: "error", Code: "value", Expression: "Device.x"}}}, "", 400, fhirJSON, "error value Device.x"},
		"unavailable":       {nil, fault.Unavailable, "", 503, fhirJSON, "error transient"},
		"broken":            {nil, errors.New("Jo Doe"), "", 500, fhirJSON, "fatal exception"},
		"not JSON":          {[][]byte{one, []byte("{")}, nil, "", 500, fhirJSON, "fatal exception"},
		"caller wants html": {[][]byte{one}, nil, "text/html", 406, fhirJSON, "error not-supported"},
	} {
		r := setup(t, func(cfg *Config) {
			cfg.Assess = func([]fhir.Resource, filter.Day) ([][]byte, error) { return c.answers, c.err }
		})
		w := r.send("POST", "/assess?on=2026-03-01", procedure, "Accept: "+c.accept)
		got := w.Body.String()
		if c.status >= 400 {
			got = issuesOf(t, w.Body.Bytes())
		}
		if diff := cmp.Diff([]any{c.status, c.media, c.want}, []any{w.Code, w.Header().Get("Content-Type"), got}); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestAssessRefuses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		url, body, media string
		status           int
		issues           string
	}{
		"no day":        {"/assess?on=2026-02-30", procedure, "application/json", 400, "error value"},
		"empty day":     {"/assess?on=", procedure, "application/json", 400, "error value"},
		"empty body":    {"/assess", "", "", 400, "fatal structure Resource"},
		"bad line":      {"/assess", procedure + "\n{\"resourceType\":\"Device\",\"id\":\"_\"}\n", "application/x-ndjson", 400, "error value Device.id"},
		"bad entry":     {"/assess", bundleOf("batch", entryOf(procedure, "PUT", "Procedure/p-1"), entryOf(procedure, "PUT", "Device/p-1")), "application/json", 400, "error invalid Bundle.entry[1].resource.resourceType"},
		"response":      {"/assess", bundleOf("batch-response", "{}"), "application/json", 422, "error not-supported Bundle.type"},
		"not JSON":      {"/assess", "{", "application/json", 400, "fatal structure Resource"},
		"two on a line": {"/assess", procedure + procedure, "application/json", 400, "fatal structure Procedure"},
		"xml":           {"/assess", "<a/>", "application/fhir+xml", 415, "error not-supported"},
		"too long":      {"/assess", `{"resourceType":"Device","x":"` + strings.Repeat("a", 2048) + `"}`, "application/json", 413, "error too-long Resource"},
	} {
		r := setup(t, func(c *Config) { c.BodyLimit = 1024 })
		w := r.send("POST", c.url, c.body, "Content-Type: "+c.media)
		if got := issuesOf(t, w.Body.Bytes()); w.Code != c.status || got != c.issues {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		if len(r.quarantined)+len(r.assessed) != 0 {
			t.Errorf("%s: something was stored or assessed", name)
		}
	}
}

func TestAssessNamesTheLine(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	w := r.send("POST", "/assess", procedure+"\n\n{}\n", "Content-Type: application/x-ndjson")
	if !strings.Contains(w.Body.String(), "line 3: ") {
		t.Errorf("got %s", w.Body)
	}
}

// TestADrugOfTwoPatientsInOneBody: a medication that names no patient, under one temporary name in the documents of two, is each one's own;
// a later version for the same patient is the same resource.
func TestADrugOfTwoPatientsInOneBody(t *testing.T) {
	t.Parallel()
	document := func(patient, drug string) string {
		return `{"resourceType":"Bundle","type":"collection","entry":[` +
			`{"resource":{"resourceType":"MedicationRequest","id":"o-` + patient + `","medicationReference":{"reference":"urn:uuid:d"},"subject":{"reference":"Patient/` + patient + `"}}},` +
			`{"fullUrl":"urn:uuid:d","resource":{"resourceType":"Medication","code":{"text":"` + drug + `"}}}]}`
	}
	resources, err := readAll([]byte(document("a", "warfarin")+"\n"+document("b", "heparin")+"\n"+document("a", "aspirin")+"\n"+document("b", "enoxaparin")), "")
	if err != nil {
		t.Fatal(err)
	}
	drugs, orders := map[string][]string{}, map[string]string{}
	for _, r := range resources {
		doc := r.Document()
		if r.Type == "Medication" {
			drugs[r.Ref()] = append(drugs[r.Ref()], doc.Get("code.text").String())
		} else {
			orders[doc.Get("subject.reference").String()] = doc.Get("medicationReference.reference").String()
		}
	}
	got := map[string][]string{}
	for patient, ref := range orders {
		got[patient] = drugs[ref]
	}
	if diff := cmp.Diff(map[string][]string{"Patient/a": {"warfarin", "aspirin"}, "Patient/b": {"heparin", "enoxaparin"}}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestAFreshNameInOneBody: a Patient of a later document is the one of before where their entry and what they tell say so.
func TestAFreshNameInOneBody(t *testing.T) {
	t.Parallel()
	document := func(name, number string) string {
		return `{"resourceType":"Bundle","type":"collection","entry":[` +
			`{"fullUrl":"urn:uuid:p","resource":{"resourceType":"Procedure","subject":{"reference":"` + name + `"}}},` +
			`{"fullUrl":"` + name + `","resource":{"resourceType":"Patient","identifier":[{"value":"` + number + `"}]}}]}`
	}
	resources, err := readAll([]byte(document("urn:uuid:a", "1")+"\n"+document("urn:uuid:b", "1")), "")
	names := map[string]int{}
	for _, r := range resources {
		names[r.Ref()]++
		if r.Type == "Procedure" {
			names[r.Document().Get("subject.reference").String()]++
		}
	}
	if err != nil || len(resources) != 4 || len(names) != 2 {
		t.Errorf("%v: %v", err, names)
	}
	if _, err := readAll([]byte(document("urn:uuid:a", "1")+"\n"+document("urn:uuid:b", "2")), ""); err == nil {
		t.Error("another person was taken")
	}
}
