package cdshooks

import (
	"bytes"
	"compress/gzip"
	"log/slog"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"dwellwatch/internal/cards"
	"dwellwatch/internal/screen"
)

// TestVersionsOfCalls: what clients of CDS Hooks before 1.0, of 1.0, 2.0 and 3.0 send, and a client that runs in a browser and
// calls an open server.
func TestVersionsOfCalls(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{
		"before 1.0":    `{"hook":"patient-view","hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","fhirServer":"https://alder-bay.example/fhir","user":"Practitioner/7","context":{"patientId":"ab-02"}}`,
		"1.0":           `{"hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","fhirServer":"https://alder-bay.example/fhir","hook":"patient-view","fhirAuthorization":{"access_token":"some-opaque-token","token_type":"Bearer","expires_in":300,"scope":"user/Patient.read user/Observation.read","subject":"cds-service4"},"context":{"userId":"Practitioner/7","patientId":"ab-02","encounterId":"456"},"prefetch":{"patientToGreet":{"resourceType":"Patient","id":"ab-02"}}}`,
		"2.0":           `{"hook":"patient-view","hookInstance":"23f1a303-991f-4118-86c5-11d99a39222e","fhirServer":"https://alder-bay.example/fhir","fhirAuthorization":{"access_token":"some-opaque-token","token_type":"Bearer","expires_in":300,"scope":"patient/Patient.read","subject":"client","patient":"ab-02"},"context":{"userId":"PractitionerRole/A2340113","patientId":"ab-02"},"prefetch":{"patient":{"resourceType":"Patient","id":"ab-02"},"devices":null},"extension":{"com.example.timestamp":"2026-03-01"}}`,
		"3.0":           `{"hook":"patient-view","hookVersion":"1.0","hookInstance":"23f1a303-991f-4118-86c5-11d99a39222e","fhirServer":"https://alder-bay.example/fhir","fhirAuthorization":{"access_token":"t","token_type":"Bearer","expires_in":300,"scope":"patient/Patient.rs","subject":"c","patient":"ab-02"},"context":{"userId":"Practitioner/7","patientId":"ab-02"},"prefetch":{"devices":{"resourceType":"Bundle","type":"searchset","total":0},"procedures":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"timeout"}]}}}`,
		"in a browser":  `{"hookInstance":"0d3e2a56-7a5f-4f0e-8a3e-1e2f3a4b5c6d","hook":"patient-view","fhirServer":"https://alder-bay.example/fhir","context":{"patientId":"ab-02","userId":"Practitioner/7"},"prefetch":{"patient":{"resourceType":"Patient","id":"ab-02"},"conditions":{"resourceType":"Bundle","type":"searchset","total":0,"link":[{"relation":"self","url":"https://alder-bay.example/fhir/Condition/_search"}]}}}`,
		"a typed id":    strings.Replace(body("patient-view", "ab-02", nil), `"patientId":"ab-02"`, `"patientId":"Patient/ab-02"`, 1),
		"a mark before": "\xef\xbb\xbf \n" + body("patient-view", "ab-02", nil),
	} {
		r := setup(t, nil)
		r.follow("ab-02")
		if got := r.one("patient-view", text); got != "overdue warning" {
			t.Errorf("%s: %q", name, got)
		}
		if strings.Contains(r.log.String(), "token") {
			t.Errorf("%s: the log says %s", name, r.log)
		}
	}
}

func TestCardsAreForThoseWhoTreat(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.follow("ab-02")
	for _, user := range []string{"Patient/ab-02", "RelatedPerson/9"} {
		if got := r.one("patient-view", strings.Replace(body("patient-view", "ab-02", nil), "Practitioner/7", user, 1)); got != "" || len(r.asked) > 0 {
			t.Errorf("%s: %q", user, got)
		}
	}
}

func TestWrongCalls(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.BodyLimit = 100_000 })
	good := body("patient-view", "ab-02", nil)
	change := func(old, new string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("%s is not in %s", old, good)
		}
		return strings.Replace(good, old, new, 1)
	}
	const at = "/cds-services/" + family
	for name, c := range map[string]struct{ path, body, want string }{
		"no service":            {"/cds-services/other", good, "404, not-found"},
		"no service, feedback":  {"/cds-services/other/feedback", `{}`, "404, not-found"},
		"another hook":          {at + "order-sign", good, "400, value hook, required context.draftOrders"},
		"an unknown hook":       {at + "patient-view", change("patient-view", "order-select"), "400, value hook"},
		"no JSON":               {at + "patient-view", `{"hook":`, "400, structure"},
		"two documents":         {at + "patient-view", good + good, "400, structure"},
		"nothing":               {at + "patient-view", ``, "400, structure"},
		"a list":                {at + "patient-view", `[]`, "400, structure"},
		"null":                  {at + "patient-view", `null`, "400, structure"},
		"no UTF-8":              {at + "patient-view", change("Practitioner/7", "Practitioner/\xff"), "400, structure"},
		"nothing in it":         {at + "patient-view", `{}`, "400, required hook, required hookInstance, required context"},
		"null members":          {at + "patient-view", `{"hook":null,"hookInstance":null,"context":null}`, "400, required hook, required hookInstance, required context"},
		"members of wrong kind": {at + "patient-view", `{"hook":1,"hookInstance":{},"fhirServer":[],"context":[],"prefetch":[]}`, "400, structure hook, structure hookInstance, structure fhirServer, structure context, structure prefetch"},
		"no user":               {at + "patient-view", change(`"userId":"Practitioner/7",`, ""), "400, required context.userId"},
		"no patient":            {at + "patient-view", change(`,"patientId":"ab-02"`, ""), "400, required context.patientId"},
		"no id":                 {at + "patient-view", change(`"patientId":"ab-02"`, `"patientId":"a b"`), "400, value context.patientId"},
		"control characters":    {at + "patient-view", change("Practitioner/7", `Practitioner/7\u0000`), "400, value context.userId"},
		"a long text":           {at + "patient-view", change("Practitioner/7", "Practitioner/"+strings.Repeat("7", 2000)), "400, too-long context.userId"},
		"prefetch of no kind":   {at + "patient-view", body("patient-view", "ab-02", map[string]string{"devices": "5", "a b": `"x"`}), "400, structure prefetch.(key), structure prefetch.devices"},
		"orders of no kind":     {at + "order-sign", body("order-sign", "ab-02", nil, `"draftOrders":[]`), "400, structure context.draftOrders"},
		"orders, no Bundle":     {at + "order-sign", body("order-sign", "ab-02", nil, `"draftOrders":{"resourceType":"Patient","id":"p"}`), "400, structure context.draftOrders"},
		"orders, a wrong entry": {at + "order-sign", body("order-sign", "ab-02", nil, `"draftOrders":{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"MedicationRequest","status":"draft","subject":5}}]}`), "400, structure context.draftOrders.entry[0].resource.subject"},
		"no appointments":       {at + "appointment-book", body("appointment-book", "ab-02", nil), "400, required context.appointments"},
		"too large":             {at + "patient-view", change("Practitioner/7", strings.Repeat("x", 100_001)), "413, too-long"},
	} {
		if got := issues(t, r.send(http.MethodPost, c.path, c.body)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	for header, want := range map[string]string{"Content-Type: text/plain": "415, not-supported", "Content-Type: application/json; charset=latin1": "415, not-supported", "Content-Encoding: br": "415, not-supported", "Content-Encoding: gzip": "400, structure"} {
		if got := issues(t, r.send(http.MethodPost, at+"patient-view", good, header)); got != want {
			t.Errorf("%s: %s", header, got)
		}
	}
	if len(r.asked) > 0 {
		t.Errorf("the store was asked: %v", r.asked)
	}
}

func TestPackedBodies(t *testing.T) {
	t.Parallel()
	pack := func(text string) string {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		if _, err := z.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	r := setup(t, func(c *Config) { c.BodyLimit = 100_000 })
	r.follow("ab-02")
	path := "/cds-services/" + family + "patient-view"
	if w := r.send(http.MethodPost, path, pack(body("patient-view", "ab-02", nil)), "Content-Encoding: gzip"); w.Code != 200 || !strings.Contains(w.Body.String(), "overdue") {
		t.Errorf("packed: %d %s", w.Code, w.Body)
	}
	if got := issues(t, r.send(http.MethodPost, path, pack(`{"x":"`+strings.Repeat("x", 200_000)+`"}`), "Content-Encoding: gzip")); got != "413, too-long" {
		t.Errorf("a small body that becomes a large one: %s", got)
	}
}

// TestTheSameCallShowsTheSameCard: a client that asks again because an answer was lost gets the card it would have shown.
func TestTheSameCallShowsTheSameCard(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.follow("ab-02")
	text := body("patient-view", "ab-02", nil)
	a, b := r.cards("patient-view", text)[0], r.cards("patient-view", text)[0]
	c := r.cards("patient-view", strings.Replace(text, "d1577c69", uuid.NewString()[:8], 1))[0]
	if a.UUID != b.UUID || a.UUID == c.UUID || a.Suggestions[0].UUID == c.Suggestions[0].UUID {
		t.Errorf("uuids %s %s %s", a.UUID, b.UUID, c.UUID)
	}
	r.may = func(Shown) bool { return false }
	if w := r.send(http.MethodPost, "/cds-services/"+family+"patient-view", text); w.Body.String() != `{"cards":[]}` {
		t.Errorf("held back: %s", w.Body)
	}
	if s := r.shown[0]; s.Occasion != "patient-view" || s.Kind != cards.Overdue || s.Service != family+"patient-view" || s.User != "Practitioner/7" || s.Issuer != "https://ehr.example" || s.Feed != "default" || s.Patient != "ab-02" || s.On.String() != "2026-03-01" {
		t.Errorf("noted: %+v", s)
	}
}

func TestDiscovery(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	w := r.send(http.MethodGet, "/cds-services", "")
	if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "application/json") {
		t.Errorf("%d %s", w.Code, w.Header())
	}
	for _, hook := range []string{"patient-view", "encounter-discharge", "order-sign", "appointment-book"} {
		if !strings.Contains(w.Body.String(), `"hook":"`+hook+`"`) || !strings.Contains(w.Body.String(), `"id":"`+family+hook+`"`) {
			t.Errorf("%s is not told of:\n%s", hook, w.Body)
		}
	}
	if strings.Contains(w.Body.String(), "status=") {
		t.Error("a template names a status")
	}
}

// TestCORS: a page of a listed origin may read answers and refusals; the preflight needs no token; nobody else is told anything.
func TestCORS(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	for _, path := range []string{"/cds-services", "/cds-services/" + family + "patient-view", "/cds-services/" + family + "patient-view/feedback", "/cds-services/other"} {
		w := r.send(http.MethodOptions, path, "", "Origin: https://ehr.example", "Access-Control-Request-Method: POST", "Access-Control-Request-Headers: authorization,content-type")
		want := map[string]string{"Access-Control-Allow-Origin": "https://ehr.example", "Access-Control-Allow-Methods": "GET, POST", "Access-Control-Allow-Headers": "Authorization, Content-Type", "Vary": "Origin", "Access-Control-Allow-Credentials": ""}
		got := map[string]string{}
		for name := range want {
			got[name] = w.Header().Get(name)
		}
		if diff := cmp.Diff(want, got); diff != "" || w.Code != http.StatusNoContent || w.Body.Len() > 0 {
			t.Errorf("%s: %d (-want +got):\n%s", path, w.Code, diff)
		}
		for _, origin := range []string{"https://elsewhere.example", "https://ehr.example.elsewhere.example", "null", "http://ehr.example"} {
			w := r.send(http.MethodOptions, path, "", "Origin: "+origin, "Access-Control-Request-Method: POST")
			if w.Header().Get("Access-Control-Allow-Origin") != "" || w.Header().Get("Vary") != "Origin" {
				t.Errorf("%s from %s: %v", path, origin, w.Header())
			}
		}
	}
	for _, text := range []string{body("patient-view", "ab-02", map[string]string{"devices": "null"}), "{"} {
		w := r.send(http.MethodPost, "/cds-services/"+family+"patient-view", text, "Origin: https://ehr.example")
		if w.Header().Get("Access-Control-Allow-Origin") != "https://ehr.example" {
			t.Errorf("%d: %v", w.Code, w.Header())
		}
	}
}

// FuzzParse: whatever is sent is read or refused as the client's fault, and never both.
func FuzzParse(f *testing.F) {
	sent := map[string]string{"devices": "null", "procedures": outcome, "conditions": empty, "patient": `{"resourceType":"Patient","id":"p"}`}
	f.Add([]byte(body("patient-view", "p", sent)), 0)
	f.Add([]byte(body("encounter-discharge", "p", nil, `"encounterId":"e"`)), 1)
	f.Add([]byte(body("order-sign", "p", sent, orders(order("o", "p", "draft", "apixaban 5 MG Oral Tablet", "5 mg twice daily")))), 2)
	f.Add([]byte(body("appointment-book", "p", nil, `"appointments":{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Appointment","status":"proposed"}}]}`)), 3)
	f.Add([]byte(`{"hook":"patient-view","hook":1,"context":{"userId":null},"prefetch":{"":[]}}`), 0)
	basis, err := basisOnce()
	if err != nil {
		f.Fatal(err)
	}
	s := &Service{Config: Config{Basis: basis, Now: now, Log: slog.New(slog.DiscardHandler), Screener: screen.Screener{Sets: basis.Sets, Models: basis.Models}}}
	f.Fuzz(func(t *testing.T, text []byte, n int) {
		hook := cards.Hooks()[uint(n)%uint(len(cards.Hooks()))]
		r, err := parse(text, hook)
		if err != nil {
			if p := problemOf(err); p.status != http.StatusBadRequest || len(p.issues) == 0 {
				t.Fatalf("%d %v", p.status, p.issues)
			}
			return
		}
		if r.user == "" || r.patient == "" || r.instance == "" {
			t.Fatalf("read without its members: %+v", r)
		}
		v := s.visit(r)
		v.concerns()
		if _, _, err := v.unknown(t.Context(), false); err != nil && problemOf(err).status != http.StatusPreconditionFailed {
			t.Fatalf("%v", err)
		}
	})
}
