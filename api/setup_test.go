package api

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch"
	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
)

func TestMain(m *testing.M) {
	for _, media := range []string{"application/fhir+json", "application/json+fhir"} {
		openapi3filter.RegisterBodyDecoder(media, openapi3filter.JSONBodyDecoder)
	}
	for _, media := range []string{"application/x-ndjson", "application/fhir+ndjson", "application/ndjson", "application/yaml", "text/html", "text/css"} {
		openapi3filter.RegisterBodyDecoder(media, func(r io.Reader, _ http.Header, _ *openapi3.SchemaRef, _ openapi3filter.EncodingFn) (any, error) {
			text, err := io.ReadAll(r)
			return string(text), err
		})
	}
	os.Exit(m.Run())
}

// document reads openapi.yaml once for all tests, which only look at it.
var document = sync.OnceValues(func() (*openapi3.T, error) {
	return openapi3.NewLoader().LoadFromData([]byte(dwellwatch.OpenAPI()))
})

// quarantined is one call of Config.Quarantine.
type quarantined struct {
	feed, route, body, issues string
	keep                      bool
}

// rig is a server over fakes, and what the fakes were given.
type rig struct {
	t       *testing.T
	cfg     Config // as setup made it, before the handler
	handler http.Handler
	doc     *openapi3.T
	log     *bytes.Buffer

	mu          sync.Mutex
	calls       [][]screen.Item
	received    []time.Time // of the calls of AcceptHeld
	quarantined []quarantined
	held        map[int64]Held
	audit       []AuditRow
	assessed    []fhir.Resource
	on          filter.Day
}

// setup gives a server whose store keeps everything as created; change may replace any part of it.
func setup(t *testing.T, change func(c *Config)) *rig {
	t.Helper()
	r := &rig{t: t, log: &bytes.Buffer{}, held: map[int64]Held{}}
	c := Config{
		Accept: func(_ context.Context, items []screen.Item) ([]screen.Outcome, error) {
			out := make([]screen.Outcome, len(items))
			for i := range out {
				out[i] = screen.Outcome{Fate: screen.Created, Version: 1}
			}
			return out, nil
		},
		Clashes: func(_ context.Context, items []screen.Item) ([]screen.Clash, error) {
			return make([]screen.Clash, len(items)), nil
		},
		Screen:     func(feed string, res fhir.Resource) screen.Item { return screen.Item{Feed: feed, Resource: res} },
		Mentions:   func(_ context.Context, _ string, body []byte) bool { return bytes.Contains(body, []byte("cava")) },
		Quarantine: r.quarantine,
		Held:       shelf{r},
		Audit:      func(_ context.Context, row AuditRow) error { r.audit = append(r.audit, row); return nil },
		Ready:      func(context.Context) error { return nil },
		Assess: func(resources []fhir.Resource, on filter.Day) ([][]byte, error) {
			r.assessed, r.on = resources, on
			return [][]byte{[]byte(`{"asOf":"` + on.String() + `","patient":"Patient/p1","policy":"default@1","filters":[],"unread":[]}`)}, nil
		},
		Now:     func() time.Time { return time.Date(2026, 3, 1, 23, 30, 0, 0, time.UTC) },
		Zone:    time.FixedZone("hospital", 3600),
		Log:     slog.New(slog.NewTextHandler(r.log, nil)),
		Feeds:   map[string]string{"ward": "https://record.example/fhir/"},
		Version: "0.1",
	}
	if change != nil {
		change(&c)
	}
	if c.AcceptHeld == nil {
		accept := c.Accept
		c.AcceptHeld = func(ctx context.Context, items []screen.Item, received time.Time) ([]screen.Outcome, error) {
			r.mu.Lock()
			r.calls, r.received = append(r.calls, items), append(r.received, received)
			r.mu.Unlock()
			return accept(ctx, items)
		}
	}
	if inner := c.Accept; inner != nil {
		c.Accept = func(ctx context.Context, items []screen.Item) ([]screen.Outcome, error) {
			r.mu.Lock()
			r.calls = append(r.calls, items)
			r.mu.Unlock()
			return inner(ctx, items)
		}
	}
	r.cfg = c
	var err error
	if r.handler, err = New(c); err != nil {
		t.Fatal(err)
	}
	if r.doc, err = document(); err != nil {
		t.Fatal(err)
	}
	return r
}

// config gives the configuration of the server, for another one.
func (r *rig) config() Config { return r.cfg }

// fates makes a store that answers with the given outcomes, in order.
func fates(outcomes ...screen.Outcome) func(c *Config) {
	return func(c *Config) {
		c.Accept = func(context.Context, []screen.Item) ([]screen.Outcome, error) { return outcomes, nil }
	}
}

// send sends a request and checks the answer, and if it was a good one also the request, against openapi.yaml.
// Headers are given as "Name: value".
func (r *rig) send(method, url, body string, headers ...string) *httptest.ResponseRecorder {
	r.t.Helper()
	req := httptest.NewRequest(method, url, strings.NewReader(body))
	req.Host = "localhost:8080"
	if body != "" {
		req.Header.Set("Content-Type", "application/fhir+json")
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		switch {
		case name == "Host":
			req.Host = value
		case value == "":
			req.Header.Del(name)
		default:
			req.Header.Set(name, value)
		}
	}
	w := httptest.NewRecorder()
	r.handler.ServeHTTP(w, req)
	r.check(req, body, w)
	return w
}

func (r *rig) check(req *http.Request, body string, w *httptest.ResponseRecorder) {
	r.t.Helper()
	if ct := w.Header().Get("Content-Type"); strings.Contains(ct, "json") && !strings.Contains(ct, "ndjson") && !json.Valid(w.Body.Bytes()) {
		r.t.Errorf("%s %s: the answer is not JSON: %s", req.Method, req.URL, w.Body)
	}
	route, params := find(r.doc, req)
	if route == nil {
		if w.Code != http.StatusNotFound && w.Code != http.StatusMethodNotAllowed && w.Code != http.StatusUnauthorized {
			r.t.Errorf("%s %s is not in openapi.yaml and answers %d", req.Method, req.URL, w.Code)
		}
		return
	}
	req.Body = io.NopCloser(strings.NewReader(body))
	in := &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route,
		Options: &openapi3filter.Options{MultiError: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc,
			// A compressed body, one with a byte order mark and one without a media type are beyond the checker.
			ExcludeRequestBody: req.Header.Get("Content-Encoding") != "" || strings.HasPrefix(body, "\xef\xbb\xbf") || req.Header.Get("Content-Type") == ""}}
	if w.Code < 300 {
		if err := openapi3filter.ValidateRequest(r.t.Context(), in); err != nil {
			r.t.Errorf("%s %s was answered %d; by openapi.yaml the request is wrong: %v", req.Method, req.URL, w.Code, err)
		}
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: w.Code, Header: w.Header(),
		Options: &openapi3filter.Options{MultiError: true, IncludeResponseStatus: true}}
	if err := openapi3filter.ValidateResponse(r.t.Context(), out.SetBodyBytes(w.Body.Bytes())); err != nil {
		r.t.Errorf("%s %s: the answer is not what openapi.yaml says: %v", req.Method, req.URL, err)
	}
}

// find gives the operation of a request; a path without parameters goes before one with them.
func find(doc *openapi3.T, req *http.Request) (*routers.Route, map[string]string) {
	at := strings.Split(strings.TrimSuffix(req.URL.Path, "/"), "/")
	var best *routers.Route
	var bestParams map[string]string
	for path, item := range doc.Paths.Map() {
		parts := strings.Split(path, "/")
		operation := item.GetOperation(req.Method)
		if len(parts) != len(at) || operation == nil {
			continue
		}
		params, matches := map[string]string{}, true
		for i, p := range parts {
			if strings.HasPrefix(p, "{") {
				params[strings.Trim(p, "{}")] = at[i]
			} else if p != at[i] {
				matches = false
			}
		}
		if matches && (best == nil || len(params) < len(bestParams)) {
			best = &routers.Route{Spec: doc, Path: path, PathItem: item, Method: req.Method, Operation: operation}
			bestParams = params
		}
	}
	return best, bestParams
}

// summary writes issues as "severity code expression", one after another.
func summary(issues []fhir.Issue) string {
	var parts []string
	for _, i := range issues {
		parts = append(parts, strings.TrimSpace(i.Severity+" "+i.Code+" "+i.Expression))
	}
	return strings.Join(parts, ", ")
}

// issuesOf reads an OperationOutcome as summary writes it.
func issuesOf(t *testing.T, body []byte) string {
	t.Helper()
	var o struct {
		ResourceType string
		Issue        []struct {
			Severity, Code string
			Expression     []string
		}
	}
	if err := json.Unmarshal(body, &o); err != nil || o.ResourceType != "OperationOutcome" {
		t.Fatalf("not an OperationOutcome: %s", body)
	}
	var issues []fhir.Issue
	for _, i := range o.Issue {
		issues = append(issues, fhir.Issue{Severity: i.Severity, Code: i.Code, Expression: strings.Join(i.Expression, "|")})
	}
	return summary(issues)
}

// answers reads a response Bundle as lines "status location etag issues".
func answers(t *testing.T, body []byte) (bundleType string, lines []string) {
	t.Helper()
	var b struct {
		Type  string
		Entry []struct {
			Response struct {
				Status, Location, Etag string
				Outcome                json.RawMessage
			}
		}
	}
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatal(err)
	}
	for _, e := range b.Entry {
		parts := []string{e.Response.Status[:3]}
		for _, p := range []string{e.Response.Location, e.Response.Etag} {
			if p != "" {
				parts = append(parts, p)
			}
		}
		if e.Response.Outcome != nil {
			if s := issuesOf(t, e.Response.Outcome); s != "information informational" {
				parts = append(parts, s)
			}
		}
		lines = append(lines, strings.Join(parts, " "))
	}
	return b.Type, lines
}

// given writes the items of the nth call of Accept as "Type/id" or "-Type/id" for deletions.
func (r *rig) given(call int) string {
	r.t.Helper()
	if call >= len(r.calls) {
		return ""
	}
	var parts []string
	for _, i := range r.calls[call] {
		ref := i.Resource.Ref()
		if i.Deleted {
			ref = "-" + ref
		}
		parts = append(parts, ref)
	}
	return strings.Join(parts, " ")
}
