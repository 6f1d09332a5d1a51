package cdshooks

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/gin-gonic/gin"

	"dwellwatch"
	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/cards"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/screen"
	"dwellwatch/internal/worker"
)

// rig is the service over a store in memory.
type rig struct {
	*testing.T
	engine *gin.Engine
	log    *bytes.Buffer
	basis  assess.Basis

	mu       sync.Mutex
	charts   map[string][]fhir.Resource // of followed patients, by feed|patient
	known    map[string]Known           // what is known of them besides
	followed []screen.Item
	shown    []Shown
	may      func(Shown) bool
	fed      []Fed
	told     map[string]Told
	snoozed  []Decision
	refusal  error            // of Snooze
	broken   error            // of the store
	asked    []string         // feed|patient of each look
	after    []draft.Referral // what Reconcile gave last
}

const base = "https://alder-bay.example/fhir"

// basisOnce reads the demonstration's catalogue and value sets once for all tests, which only look at them.
var basisOnce = sync.OnceValues(func() (assess.Basis, error) {
	models, err := chart.ReadCatalogue(demo.Catalogue())
	if err != nil {
		return assess.Basis{}, err
	}
	sets, err := chart.ShippedSets()
	return assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}, err
})

func now() time.Time { return time.Date(2026, 3, 1, 9, 30, 0, 0, time.UTC) }

func setup(t *testing.T, change func(c *Config)) *rig {
	t.Helper()
	basis, err := basisOnce()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{T: t, log: &bytes.Buffer{}, basis: basis, charts: map[string][]fhir.Resource{}, known: map[string]Known{}, told: map[string]Told{}, may: func(Shown) bool { return true }}
	c := Config{
		Known: r.look, Record: r.record,
		Reconcile: func(before []draft.Referral, result assess.Result, on filter.Day) []draft.Referral {
			r.after, _ = draft.Reconcile(before, result.Wants(), result.Tasks, worker.Pace(basis.Policy), on)
			return r.after
		},
		Task: func(a assess.Assessment, f draft.Referral) ([]byte, error) {
			return compose.Task(compose.Document{Assessment: a, Referral: f}, compose.Site{Installation: "6a6d2b3e-0c1f-4c8e-9a51-0d6f3b6f4d11", ClinicOwner: "Organization/clinic"}, now(), "")
		},
		Follow: func(_ context.Context, items []screen.Item) error {
			r.followed = append(r.followed, items...)
			return r.broken
		},
		Show: func(_ context.Context, s Shown) (bool, error) {
			r.mu.Lock()
			defer r.mu.Unlock()
			if !r.may(s) {
				return false, nil
			}
			r.shown = append(r.shown, s)
			return true, nil
		},
		Feedback: func(_ context.Context, f Fed) (Told, bool, error) {
			told, ok := r.told[f.Card]
			if ok {
				r.fed = append(r.fed, f)
			}
			return told, ok, r.broken
		},
		Snooze: func(_ context.Context, key string, d Decision) error {
			if r.refusal == nil {
				r.snoozed = append(r.snoozed, d)
			}
			return r.refusal
		},
		Page: func(_ context.Context, key string) (string, error) {
			return "https://dwellwatch.example/worklist/filters/" + key[:8], nil
		},
		Screener: screen.Screener{Sets: basis.Sets, Models: basis.Models, Bases: map[string]string{"default": base, "lab": "https://lab.example/fhir"}},
		Basis:    basis, Now: now, Log: slog.New(slog.NewTextHandler(r.log, nil)), Origins: []string{"https://ehr.example"}, Servers: map[string]string{"https://outside.example/fhir/": "default"},
	}
	if change != nil {
		change(&c)
	}
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	gin.SetMode(gin.ReleaseMode)
	r.engine = gin.New()
	for _, one := range s.Routes() {
		r.engine.Handle(one.Method, one.Path, one.Before, func(c *gin.Context) {
			if one.Access.Kind == auth.CDS {
				c.Request = c.Request.WithContext(auth.WithClient(c.Request.Context(), auth.Client{Issuer: "https://ehr.example"}))
			}
		}, one.Handle)
	}
	return r
}

func (r *rig) look(_ context.Context, feed, patient string, on filter.Day, given []fhir.Resource) (Known, error) {
	r.asked = append(r.asked, feed+"|"+patient)
	if r.broken != nil {
		return Known{}, r.broken
	}
	resources, ok := r.charts[feed+"|"+patient]
	if !ok {
		return Known{}, fault.NotFound
	}
	k := r.known[feed+"|"+patient]
	k.Person, k.Same = feed+"|"+patient, true
	for _, g := range given {
		found := false
		for _, have := range resources {
			found = found || have.Ref() == g.Ref() && bytes.Equal(have.Raw, g.Raw)
		}
		k.Same = k.Same && found
	}
	return k, nil
}

func (r *rig) record(_ context.Context, person string) (assess.Record, error) {
	rec := assess.Record{Person: person, Context: assess.ContextPulled}
	for _, one := range r.charts[person] {
		rec.Entries = append(rec.Entries, chart.Entry{Feed: "default", Home: base, Resource: one})
	}
	return rec, nil
}

// patient gives the resources of one invented patient, as they are after the first step.
func patient(t *testing.T, id string) []fhir.Resource {
	t.Helper()
	all, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range all {
		if p.ID != id {
			continue
		}
		b, err := bundleOf(p.Steps[0].Bundle)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	t.Fatalf("there is no patient %s", id)
	return nil
}

func bundleOf(raw []byte) ([]fhir.Resource, error) {
	whole, b, err := fhir.DecodeWhole(raw)
	if err != nil || whole.Type != "Bundle" {
		return nil, err
	}
	var out []fhir.Resource
	for _, e := range b.Entries {
		var compact bytes.Buffer
		if err := json.Compact(&compact, e.Resource.Raw); err != nil {
			return nil, err
		}
		e.Resource.Raw = compact.Bytes()
		out = append(out, e.Resource)
	}
	return out, nil
}

// follow makes a patient known.
func (r *rig) follow(id string) { r.charts["default|"+id] = patient(r.T, id) }

// searchset makes a Bundle of resources of a type.
func searchset(resources []fhir.Resource, kind string, more ...string) string {
	var entries []string
	for _, one := range resources {
		if one.Type == kind {
			entries = append(entries, `{"fullUrl":"`+base+`/`+one.Ref()+`","resource":`+string(one.Raw)+`,"search":{"mode":"match"}}`)
		}
	}
	list := ""
	if len(entries) > 0 {
		list = `,"entry":[` + strings.Join(entries, ",") + `]`
	}
	return `{"resourceType":"Bundle","type":"searchset"` + strings.Join(more, "") + list + `}`
}

// fill makes the whole prefetch of a patient.
func fill(resources []fhir.Resource) map[string]string {
	out := map[string]string{}
	for key, template := range prefetch() {
		kind, _, _ := strings.Cut(strings.NewReplacer("/", "?").Replace(template), "?")
		out[key] = searchset(resources, kind)
		if kind == "Patient" {
			out[key] = "null"
			for _, one := range resources {
				if one.Type == kind {
					out[key] = string(one.Raw)
				}
			}
		}
	}
	return out
}

// body writes a call. context holds further members of the context, prefetch values of keys.
func body(hook, patient string, prefetch map[string]string, context ...string) string {
	sent, err := json.Marshal(rawOf(prefetch))
	if err != nil {
		panic(err)
	}
	more := strings.Join(append([]string{""}, context...), ",")
	text := fmt.Sprintf(`{"hook":%q,"hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","fhirServer":%q,"context":{"userId":"Practitioner/7","patientId":%q%s}`, hook, base, patient, more)
	if prefetch != nil {
		text += `,"prefetch":` + string(sent)
	}
	return text + "}"
}

func rawOf(values map[string]string) map[string]json.RawMessage {
	out := map[string]json.RawMessage{}
	for k, v := range values {
		out[k] = json.RawMessage(v)
	}
	return out
}

// send sends a request and holds the answer against what HL7 published of CDS Hooks.
func (r *rig) send(method, path, body string, headers ...string) *httptest.ResponseRecorder {
	r.Helper()
	req := httptest.NewRequest(method, path, strings.NewReader(body))
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		req.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	r.engine.ServeHTTP(w, req)
	if w.Code >= http.StatusInternalServerError && r.broken == nil {
		r.Errorf("%s %s: %d %s", method, path, w.Code, w.Body)
	}
	r.described(req, path, body, w)
	for _, fault := range faultsOf(method, path, w.Code, w.Body.Bytes()) {
		r.Errorf("%s %s: %s\n%s", method, path, fault, w.Body)
	}
	return w
}

// document reads openapi.yaml once for all tests, which only look at it.
var document = sync.OnceValues(func() (*openapi3.T, error) {
	return openapi3.NewLoader().LoadFromData([]byte(dwellwatch.OpenAPI()))
})

// described holds an answer, and the request of a good one, against openapi.yaml.
func (r *rig) described(req *http.Request, path, body string, w *httptest.ResponseRecorder) {
	r.Helper()
	doc, err := document()
	if err != nil {
		r.Fatal(err)
	}
	parts, params := strings.Split(path, "/"), map[string]string{}
	if len(parts) > 2 {
		params["id"], parts[2] = parts[2], "{id}"
	}
	item := doc.Paths.Find(strings.Join(parts, "/"))
	if item == nil || item.GetOperation(req.Method) == nil {
		r.Fatalf("%s %s is not described", req.Method, path)
	}
	req.Body = io.NopCloser(strings.NewReader(body))
	in := &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: &routers.Route{Spec: doc, Path: strings.Join(parts, "/"), PathItem: item, Method: req.Method, Operation: item.GetOperation(req.Method)},
		Options: &openapi3filter.Options{MultiError: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, ExcludeRequestBody: req.Header.Get("Content-Encoding") != "" || strings.HasPrefix(body, "\xef\xbb\xbf")}}
	if w.Code < http.StatusMultipleChoices {
		if err := openapi3filter.ValidateRequest(r.Context(), in); err != nil {
			r.Errorf("%s was answered %d; by openapi.yaml the request is wrong: %v", path, w.Code, err)
		}
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: w.Code, Header: w.Header(), Options: &openapi3filter.Options{MultiError: true, IncludeResponseStatus: true}}
	if err := openapi3filter.ValidateResponse(r.Context(), out.SetBodyBytes(w.Body.Bytes())); err != nil {
		r.Errorf("%s: the answer is not what openapi.yaml says: %v", path, err)
	}
}

// cards calls the service of a hook and gives the cards.
func (r *rig) cards(hook, body string) []cards.Card {
	r.Helper()
	w := r.send(http.MethodPost, "/cds-services/"+family+hook, body)
	if w.Code != http.StatusOK {
		r.Fatalf("%s: %d %s", hook, w.Code, w.Body)
	}
	var got struct{ Cards []cards.Card }
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		r.Fatal(err)
	}
	return got.Cards
}

// one calls the service of a hook and gives "kind indicator" of its only card, or "" where it has none.
func (r *rig) one(hook, body string) string {
	r.Helper()
	got := r.cards(hook, body)
	switch len(got) {
	case 0:
		return ""
	case 1:
		return got[0].Source.Topic.Code + " " + got[0].Indicator
	}
	r.Fatalf("%d cards", len(got))
	return ""
}

// issues writes an OperationOutcome as "status code expression", each issue once.
func issues(t *testing.T, w *httptest.ResponseRecorder) string {
	t.Helper()
	var o struct {
		ResourceType string
		Issue        []struct {
			Code       string
			Expression []string
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &o); err != nil || o.ResourceType != "OperationOutcome" {
		t.Fatalf("not an OperationOutcome: %d %s", w.Code, w.Body)
	}
	parts := []string{fmt.Sprint(w.Code)}
	for _, i := range o.Issue {
		parts = append(parts, strings.TrimSpace(i.Code+" "+strings.Join(i.Expression, "|")))
	}
	return strings.Join(parts, ", ")
}
