package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const (
	placedHead  = `{"resourceType":"Procedure","id":"in","meta":{"versionId":"1"},"status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"performedDateTime":"2025-05-01",`
	placedOfAnn = placedHead + `"subject":{"reference":"Patient/ann"}}`
)

// bundle makes a Bundle of entries.
func bundle(kind string, entries ...string) string {
	return `{"resourceType":"Bundle","type":"` + kind + `","entry":[` + strings.Join(entries, ",") + `]}`
}

func posting(kind, fullURL, resource string) string {
	return `{"fullUrl":"` + fullURL + `","request":{"method":"POST","url":"` + kind + `"},"resource":` + resource + `}`
}

// charts lists what is kept as "patient: Type", with the references in its bytes, in order.
func (h *house) charts() []string {
	h.t.Helper()
	const read = `
		SELECT coalesce(string_agg(a.patient_id, '+' ORDER BY a.patient_id), '-') || ': ' || r.type || ' ' ||
			array_to_string(ARRAY(SELECT m[1] FROM regexp_matches(convert_from(r.body, 'UTF8'), '"reference":"([^"]*)"', 'g') AS m), ' ')
		FROM resource r LEFT JOIN person_alias a ON a.person_id = r.person_id
		WHERE r.current AND NOT r.deleted
		GROUP BY r.feed, r.type, r.id, r.version ORDER BY 1`
	return h.lines(read)
}

// TestReferencesOfEveryKind delivers references as servers write them (http://hl7.org/fhir/R4/references.html#literal and
// http://hl7.org/fhir/R4/http.html#trules): what leads to a patient of the feed is followed, what does not is kept as text
// where the entry is of use anyway, and none makes a Bundle fail.
func TestReferencesOfEveryKind(t *testing.T) {
	t.Parallel()
	const observation = `{"resourceType":"Observation","id":"o","status":"final","code":{"text":"weight"},"subject":{"reference":"REF"}}`
	about := func(reference string) string { return strings.Replace(observation, "REF", reference, 1) }
	const placed = "ann: Procedure Patient/ann"
	for name, c := range map[string]struct {
		bodies []string
		want   []string
	}{
		"relative":          {[]string{placedOfAnn, about("Patient/ann")}, []string{"ann: Observation Patient/ann", placed}},
		"absolute, our own": {[]string{placedOfAnn, about(recordBase + "/Patient/ann")}, []string{"ann: Observation " + recordBase + "/Patient/ann", placed}},
		"absolute, other scheme": {[]string{placedOfAnn, about("https" + strings.TrimPrefix(recordBase, "http") + "/Patient/ann")},
			[]string{"ann: Observation https" + strings.TrimPrefix(recordBase, "http") + "/Patient/ann", placed}},
		"absolute, of another server": {[]string{placedOfAnn, about("https://elsewhere.example/fhir/Patient/ann")}, []string{placed}},
		"with a version":              {[]string{placedOfAnn, about("Patient/ann/_history/3")}, []string{"ann: Observation Patient/ann/_history/3", placed}},
		"conditional, as the subject": {[]string{placedOfAnn, bundle("transaction", posting("Observation", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a01", about("Patient?identifier=urn:x|1")))}, []string{placed}},
		"conditional, elsewhere": {[]string{bundle("transaction", posting("Procedure", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a02",
			placedHead+`"subject":{"reference":"Patient/ann"},"performer":[{"actor":{"reference":"Practitioner?identifier=urn:x|2"}}]}`))},
			[]string{"ann: Procedure Patient/ann Practitioner?identifier=urn:x|2"}},
		"conditional beside what can be kept": {[]string{bundle("batch",
			posting("Observation", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a03", about("Patient?identifier=urn:x|1")),
			posting("Procedure", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a04", placedOfAnn))}, []string{placed}},
		"a temporary name": {[]string{bundle("transaction",
			posting("Observation", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a06", about("urn:uuid:1D0E9B8C-6d52-4b6e-8f60-0a3a9f1f1a05")),
			posting("Procedure", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a07", strings.Replace(placedOfAnn, "Patient/ann", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a05", 1)),
			posting("Patient", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a05", `{"resourceType":"Patient","id":"ann"}`))},
			[]string{"ann: Observation Patient/ann", "ann: Patient ", placed}},
		"a temporary name that nobody bears": {[]string{placedOfAnn, bundle("batch",
			posting("Observation", "urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a08", about("urn:uuid:1d0e9b8c-6d52-4b6e-8f60-0a3a9f1f1a09")))}, []string{placed}},
		"by the address of an entry": {[]string{bundle("collection",
			`{"fullUrl":"`+recordBase+`/Patient/ann","resource":{"resourceType":"Patient","id":"ann"}}`, `{"resource":`+strings.Replace(placedOfAnn, "Patient/ann", recordBase+"/Patient/ann", 1)+`}`)},
			[]string{"ann: Patient ", placed}},
		"contained": {[]string{placedHead + `"contained":[{"resourceType":"Device","id":"d","deviceName":[{"name":"vena cava filter","type":"user-friendly-name"}]}],"focalDevice":[{"manipulated":{"reference":"#d"}}],"subject":{"reference":"Patient/ann"}}`},
			[]string{"ann: Procedure #d Patient/ann"}},
		"contained and the only sign of a filter": {[]string{`{"resourceType":"DeviceUseStatement","id":"u","contained":[{"resourceType":"Device","id":"d","deviceName":[{"name":"vena cava filter","type":"user-friendly-name"}]}],
			"status":"active","subject":{"reference":"Patient/ann"},"device":{"reference":"#d"}}`}, []string{"ann: DeviceUseStatement Patient/ann #d"}},
		"contained medication": {[]string{placedOfAnn, `{"resourceType":"MedicationRequest","id":"m","contained":[{"resourceType":"Medication","id":"x","code":{"text":"apixaban"}}],
			"status":"active","intent":"order","medicationReference":{"reference":"#x"},"subject":{"reference":"Patient/ann"}}`}, []string{"ann: MedicationRequest #x Patient/ann", placed}},
		"merged by absolute link": {[]string{placedOfAnn, `{"resourceType":"Patient","id":"ann","link":[{"type":"replaced-by","other":{"reference":"` + recordBase + `/Patient/eve"}}]}`, about("Patient/eve")},
			[]string{"ann+eve: Observation Patient/eve", "ann+eve: Patient " + recordBase + "/Patient/eve", "ann+eve: Procedure Patient/ann"}},
		"see also is no merge": {[]string{placedOfAnn, `{"resourceType":"Patient","id":"ann","link":[{"type":"seealso","other":{"reference":"Patient/eve"}},{"type":"refer","other":{"reference":"Patient/eve"}}]}`, about("Patient/eve")},
			[]string{"ann: Patient Patient/eve Patient/eve", placed}},
		"linked to another server's patient": {[]string{placedOfAnn, `{"resourceType":"Patient","id":"ann","link":[{"type":"replaced-by","other":{"reference":"https://elsewhere.example/fhir/Patient/eve"}}]}`, about("Patient/eve")},
			[]string{"ann: Patient https://elsewhere.example/fhir/Patient/eve", placed}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, 0)
			for range 2 {
				for _, body := range c.bodies {
					if w := h.send(http.MethodPost, "/fhir", []byte(body)); w.Code >= 300 || strings.Contains(w.Body.String(), `"status":"4`) {
						t.Errorf("%d %s", w.Code, w.Body)
					}
				}
				if diff := cmp.Diff(c.want, h.charts()); diff != "" {
					t.Errorf("kept (-want +got):\n%s", diff)
				}
			}
		})
	}
}
