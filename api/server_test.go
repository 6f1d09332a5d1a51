package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"testing"

	"dwellwatch"
	"dwellwatch/api/cdshooks"
	"dwellwatch/api/route"
	"dwellwatch/fhir"
	"dwellwatch/internal/screen"

	"github.com/google/go-cmp/cmp"
	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Every route is in openapi.yaml and everything in openapi.yaml is a route.
func TestRoutesAreThoseOfOpenAPI(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.People, c.Pages, c.Extra = people(t, newShelf(), false), pages(t), hooks() })
	s, err := newServer(r.config())
	if err != nil {
		t.Fatal(err)
	}
	var routes, document []string
	for _, info := range s.engine().Routes() {
		parts := strings.Split(info.Path, "/")
		for i, p := range parts {
			if name, ok := strings.CutPrefix(p, ":"); ok {
				parts[i] = "{" + name + "}"
			}
		}
		routes = append(routes, info.Method+" "+strings.Join(parts, "/"))
	}
	for path, item := range r.doc.Paths.Map() {
		for method := range item.Operations() {
			document = append(document, method+" "+path)
		}
	}
	slices.Sort(routes)
	slices.Sort(document)
	if diff := cmp.Diff(document, routes); diff != "" {
		t.Errorf("(-openapi.yaml +routes):\n%s", diff)
	}
}

// hooks are the routes of CDS Hooks, which are only looked at here.
func hooks() []route.Route { return (&cdshooks.Service{}).Routes() }

func TestToken(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.Token = "s3cret" })
	s, err := newServer(r.config())
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range s.engine().Routes() {
		url := strings.NewReplacer(":feed", "ward", ":type", "Device", ":id", "d").Replace(info.Path)
		for _, header := range []string{"", "Bearer wrong", "Basic s3cret"} {
			w := r.send(info.Method, url, "", "Host: dwellwatch.example", "Authorization: "+header)
			if open := slices.Contains([]string{"/healthz", "/readyz", "/.well-known/jwks.json"}, info.Path); open {
				if w.Code != 200 {
					t.Errorf("%s wants a token", url)
				}
				continue
			}
			if w.Code != 401 || !strings.HasPrefix(w.Header().Get("WWW-Authenticate"), "Bearer") || issuesOf(t, w.Body.Bytes()) != "error login" {
				t.Errorf("%s %s with %q: %d %s", info.Method, url, header, w.Code, w.Body)
			}
		}
	}
	if len(r.calls)+len(r.audit) != 0 {
		t.Errorf("something happened without the token: %d calls, %d audit rows", len(r.calls), len(r.audit))
	}
	if w := r.send("GET", "/nowhere", ""); w.Code != 401 {
		t.Errorf("an unknown route without a token: %d", w.Code)
	}
	w := r.send("PUT", "/fhir/Procedure/p-1", procedure, "Authorization: Bearer s3cret", "Host: dwellwatch.example", "Origin: https://other.example")
	if w.Code != 201 {
		t.Errorf("with the token: %d %s", w.Code, w.Body)
	}
}

func TestWithoutATokenOnlyThisMachine(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		headers []string
		status  int
	}{
		"localhost":      {[]string{"Host: localhost"}, 201},
		"IPv4":           {[]string{"Host: 127.0.0.1:8080"}, 201},
		"IPv6":           {[]string{"Host: [::1]:8080"}, 201},
		"rebound":        {[]string{"Host: rebound.example:8080"}, 403},
		"own page":       {[]string{"Host: localhost:8080", "Origin: http://localhost:8080"}, 201},
		"page elsewhere": {[]string{"Host: localhost:8080", "Origin: https://elsewhere.example"}, 403},
		"cross-site":     {[]string{"Host: localhost:8080", "Sec-Fetch-Site: cross-site"}, 403},
	} {
		r := setup(t, nil)
		w := r.send("PUT", "/fhir/Procedure/p-1", procedure, c.headers...)
		if w.Code != c.status {
			t.Errorf("%s: got %d %s", name, w.Code, w.Body)
		}
		if c.status == 403 && (issuesOf(t, w.Body.Bytes()) != "error forbidden" || len(r.calls) != 0) {
			t.Errorf("%s: %s", name, w.Body)
		}
	}
	r := setup(t, nil)
	for _, url := range []string{"/healthz", "/readyz", "/metrics", "/openapi.yaml", "/fhir/metadata", "/feeds/ward/fhir/metadata"} {
		if w := r.send("GET", url, "", "Host: rebound.example"); w.Code != 403 {
			t.Errorf("%s under another name: %d", url, w.Code)
		}
	}
}

func TestUnknownRoutesAndMethods(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	for request, want := range map[string]string{
		"GET /":                          "404 error not-found",
		"GET /fhirs":                     "404 error not-found",
		"GET /fhir/Procedure/1/_history": "404 error not-found",
		"GET /fhir/Procedure/1":          "405 error not-supported",
		"GET /fhir/Procedure":            "405 error not-supported",
		"PATCH /fhir/Procedure/1":        "405 error not-supported",
		"GET /fhir":                      "405 error not-supported",
		"POST /healthz":                  "405 error not-supported",
		"BREW /fhir":                     "405 error not-supported",
	} {
		method, url, _ := strings.Cut(request, " ")
		w := r.send(method, url, "")
		if got := http.StatusText(w.Code); got == "" || want != strings.TrimSpace(w.Result().Status[:3]+" "+issuesOf(t, w.Body.Bytes())) {
			t.Errorf("%s: %d %s, want %s", request, w.Code, w.Body, want)
		}
		if w.Code == 405 && w.Header().Get("Allow") == "" {
			t.Errorf("%s: 405 without Allow", request)
		}
	}
	if w := r.send("GET", "/feeds/nowhere/fhir/metadata", ""); w.Code != 404 {
		t.Errorf("metadata of an unknown feed: %d", w.Code)
	}
}

func TestPanicTellsNothing(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Screen = func(string, fhir.Resource) screen.Item { panic("Jo Doe, born 1961-04-02") }
	})
	w := r.send("PUT", "/fhir/Procedure/p-1", procedure)
	if w.Code != 500 || issuesOf(t, w.Body.Bytes()) != "fatal exception" {
		t.Errorf("got %d %s", w.Code, w.Body)
	}
	if out := w.Body.String() + r.log.String(); strings.Contains(out, "Doe") || strings.Contains(out, "p-1") || !strings.Contains(out, "panic") {
		t.Errorf("the log says %s", out)
	}
}

func TestLogHoldsPatternsOnly(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.send("PUT", "/feeds/ward/fhir/Procedure/secret-id?_format=json", `{"resourceType":"Procedure","id":"secret-id"}`)
	r.send("DELETE", "/fhir/Patient?name=secret-name", "")
	r.send("GET", "/secret-path", "")
	r.send("SECRET-METHOD", "/fhir", "")
	log := r.log.String()
	if strings.Contains(strings.ToLower(log), "secret") {
		t.Errorf("the log repeats what came:\n%s", log)
	}
	for _, want := range []string{"number=1 method=PUT route=/feeds/:feed/fhir/:type/:id status=201", "number=2 method=DELETE route=/fhir/:type status=400",
		"number=3 method=GET route=unmatched status=404", "number=4 method=other route=unmatched status=405"} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %q:\n%s", want, log)
		}
	}
}

func TestMetrics(t *testing.T) {
	t.Parallel()
	r := setup(t, fates(screen.Outcome{Fate: screen.Dropped}))
	r.send("PUT", "/fhir/Procedure/secret-id", `{"resourceType":"Procedure","id":"secret-id","status":"completed"}`)
	r.send("PUT", "/fhir/Immunization/secret-id", `{"resourceType":"Immunization","id":"secret-id"}`)
	r.send("PUT", "/fhir/Procedure/secret-id", `{`)
	r.send("POST", "/fhir", bundleOf("batch", "{}"))
	w := r.send("GET", "/metrics", "")
	body := w.Body.String()
	for _, want := range []string{
		`dwellwatch_delivered_resources_total{fate="dropped",type="Procedure"} 1`,
		`dwellwatch_delivered_resources_total{fate="ignored",type="other"} 1`,
		`dwellwatch_delivered_resources_total{fate="refused",type="other"} 2`,
		`dwellwatch_http_requests_total{method="PUT",route="/fhir/:type/:id",status="200"} 2`,
		`dwellwatch_http_requests_total{method="PUT",route="/fhir/:type/:id",status="400"} 1`,
		`dwellwatch_http_request_seconds_count{route="/fhir"} 1`,
	} {
		if !strings.Contains(body, want+"\n") {
			t.Errorf("no line %s in\n%s", want, body)
		}
	}
	if strings.Contains(body, "secret") {
		t.Error("an id is in the metrics")
	}
}

func TestAudit(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.send("PUT", "/feeds/ward/fhir/Procedure/p-1", procedure)
	r.send("POST", "/fhir", bundleOf("batch", entryOf(procedure, "PUT", "Procedure/p-1"), "{}", entryOf(procedure, "PUT", "Procedure/p-1")))
	r.send("POST", "/fhir", "{")
	r.send("POST", "/assess?on=2026-03-01", procedure)
	r.send("GET", "/fhir/metadata", "")
	at := r.config().Now()
	want := []AuditRow{
		{at, "feed ward", "deliver", "/feeds/:feed/fhir/:type/:id", "201", 1, "", ""},
		{at, "feed default", "deliver", "/fhir", "200", 2, "", ""},
		{at, "feed default", "deliver", "/fhir", "400", 0, "", ""},
		{at, "loopback", "assess", "/assess", "200", 1, "", ""},
	}
	if diff := cmp.Diff(want, r.audit); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	broken := setup(t, func(c *Config) {
		c.Audit = func(context.Context, AuditRow) error { return errors.New("Jo Doe") }
	})
	if w := broken.send("PUT", "/fhir/Procedure/p-1", procedure); w.Code != 201 {
		t.Errorf("what is stored stays stored, got %d", w.Code)
	}
	if log := broken.log.String(); !strings.Contains(log, "audit row not written") || strings.Contains(log, "Doe") {
		t.Errorf("the log says %s", log)
	}
}

func TestHealth(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	if w := r.send("GET", "/healthz", ""); w.Code != 200 || w.Body.String() != "ok\n" {
		t.Errorf("healthz: %d %s", w.Code, w.Body)
	}
	if w := r.send("GET", "/readyz", ""); w.Code != 200 {
		t.Errorf("readyz: %d %s", w.Code, w.Body)
	}
	down := setup(t, func(c *Config) { c.Ready = func(context.Context) error { return errors.New("dial postgres://secret") } })
	if w := down.send("GET", "/readyz", ""); w.Code != 503 || w.Header().Get("Retry-After") == "" || strings.Contains(w.Body.String()+down.log.String(), "secret") {
		t.Errorf("readyz: %d %s\n%s", w.Code, w.Body, down.log)
	}
	if w := down.send("GET", "/healthz", ""); w.Code != 200 {
		t.Errorf("healthz while not ready: %d", w.Code)
	}
}

func TestOpenAPIIsServed(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	if w := r.send("GET", "/openapi.yaml", ""); w.Code != 200 || w.Body.String() != dwellwatch.OpenAPI() {
		t.Errorf("got %d and %d bytes", w.Code, w.Body.Len())
	}
}

// Constraints of http://hl7.org/fhir/R4/capabilitystatement.html: cpb-9 (types named once), cpb-15 (an instance has an
// implementation); samply reads it.
func TestCapabilityStatement(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.PublicURL = "https://dwellwatch.example" })
	for url, want := range map[string]string{"/fhir/metadata": "https://dwellwatch.example/fhir", "/feeds/ward/fhir/metadata": "https://dwellwatch.example/feeds/ward/fhir"} {
		w := r.send("GET", url, "")
		c, err := samply.UnmarshalCapabilityStatement(w.Body.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		if c.Kind.Code() != "instance" || c.Implementation == nil || *c.Implementation.Url != want || len(c.Rest) != 1 {
			t.Errorf("%s: got %s", url, w.Body)
		}
		var types []string
		for _, res := range c.Rest[0].Resource {
			types = append(types, res.Type.Code())
			var does []string
			for _, i := range res.Interaction {
				does = append(does, i.Code.Code())
			}
			if diff := cmp.Diff([]string{"create", "update", "delete"}, does); diff != "" {
				t.Errorf("%s (-want +got):\n%s", res.Type.Code(), diff)
			}
			if *res.ConditionalCreate || *res.ConditionalUpdate || res.ConditionalDelete.Code() != "not-supported" {
				t.Errorf("%s claims a conditional interaction", res.Type.Code())
			}
		}
		if diff := cmp.Diff(keptTypes(), types); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
}

func TestTypesAreThoseOfR4(t *testing.T) {
	t.Parallel()
	var want []string
	for i := 0; samply.ResourceType(i).Code() != "<unknown>"; i++ {
		// The two abstract types have no instances.
		if code := samply.ResourceType(i).Code(); code != "Resource" && code != "DomainResource" {
			want = append(want, code)
		}
	}
	if diff := cmp.Diff(want, fhir.R4Types()); diff != "" {
		t.Errorf("(-samply +ours):\n%s", diff)
	}
	for _, k := range keptTypes() {
		if !slices.Contains(fhir.R4Types(), k) {
			t.Errorf("%s is not a type of R4", k)
		}
	}
}

func TestNewNamesWhatIsMissing(t *testing.T) {
	t.Parallel()
	for name, take := range map[string]func(*Config){
		"Accept": func(c *Config) { c.Accept = nil }, "Screen": func(c *Config) { c.Screen = nil }, "Mentions": func(c *Config) { c.Mentions = nil },
		"Quarantine": func(c *Config) { c.Quarantine = nil }, "Audit": func(c *Config) { c.Audit = nil }, "Ready": func(c *Config) { c.Ready = nil },
		"AcceptHeld": func(c *Config) { c.AcceptHeld = nil }, "Clashes": func(c *Config) { c.Clashes = nil }, "Held": func(c *Config) { c.Held = nil },
		"Assess": func(c *Config) { c.Assess = nil }, "Now": func(c *Config) { c.Now = nil }, "Zone": func(c *Config) { c.Zone = nil },
		"Log": func(c *Config) { c.Log = nil }, "ward 7": func(c *Config) { c.Feeds = map[string]string{"ward 7": ""} },
	} {
		c := setup(t, nil).config()
		take(&c)
		if _, err := New(c); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
