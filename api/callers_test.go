package api

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/api/route"
	"dwellwatch/api/signin"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
	"github.com/google/go-cmp/cmp"
)

// sessions keeps sessions in memory.
type sessions struct {
	mu  sync.Mutex
	by  map[string]signin.Session
	bad error // what every call answers, where it is set
}

func newShelf() *sessions { return &sessions{by: map[string]signin.Session{}} }

func (s *sessions) StartSession(_ context.Context, digest []byte, n signin.Session) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.by[string(digest)] = n
	return s.bad
}

func (s *sessions) Session(_ context.Context, digest []byte, now time.Time, _ time.Duration) (signin.Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, ok := s.by[string(digest)]
	switch {
	case s.bad != nil:
		return n, s.bad
	case !ok || !now.Before(n.EndsAt):
		return n, fault.NotFound
	}
	return n, nil
}

func (s *sessions) EndSession(_ context.Context, digest []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.by, string(digest))
	return s.bad
}

// people is a sign-in over a store; local is the demonstration's.
func people(t *testing.T, store signin.Store, local bool) *signin.SignIn {
	t.Helper()
	c := signin.Config{Local: local, Secure: !local, Origin: "https://dwellwatch.example", Idle: time.Hour, Lifetime: 8 * time.Hour, Store: store,
		Audit: func(context.Context, auth.Person, string, string, string) {},
		Now:   func() time.Time { return time.Date(2026, 3, 1, 23, 30, 0, 0, time.UTC) }, Log: slog.New(slog.DiscardHandler)}
	if !local {
		c.Provider = &signin.Provider{Issuer: "https://login.example"}
	}
	p, err := signin.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// page is a people's route about one filter, which answers with who asked.
func page(method, path string, roles ...auth.Role) route.Route {
	return route.Route{Method: method, Path: path, Access: auth.ForPeople(roles...), Filter: "key", Handle: func(c *gin.Context) {
		p, _ := auth.PersonOf(c.Request.Context())
		c.String(http.StatusOK, p.Name)
	}}
}

// ask sends a request without looking at openapi.yaml, for routes that only a test has.
func (r *rig) ask(method, url string, headers ...string) *httptest.ResponseRecorder {
	req := httptest.NewRequest(method, url, strings.NewReader(""))
	req.Host = "localhost:8080"
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			req.Host = value
			continue
		}
		req.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	r.handler.ServeHTTP(w, req)
	return w
}

// signedIn signs in to the demonstration and gives the cookie.
func (r *rig) signedIn(name string, role auth.Role) string {
	r.t.Helper()
	w := r.send("POST", "/signin/local", "name="+name+"&role="+string(role)+"&to=/worklist/a", "Content-Type: application/x-www-form-urlencoded")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/worklist/a" {
		r.t.Fatalf("sign-in: %d %s", w.Code, w.Body)
	}
	cookie, err := http.ParseSetCookie(w.Header().Get("Set-Cookie"))
	if err != nil {
		r.t.Fatal(err)
	}
	return "Cookie: " + cookie.Name + "=" + cookie.Value
}

func TestPagesWantAPersonOfTheRole(t *testing.T) {
	t.Parallel()
	store := newShelf()
	r := setup(t, func(c *Config) {
		c.People = people(t, store, true)
		c.Extra = []route.Route{page("GET", "/worklist/:key"), page("POST", "/worklist/:key/approve", auth.Clinician)}
	})
	w := r.ask("GET", "/worklist/k-1?sort=day")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/signin?to=%2Fworklist%2Fk-1%3Fsort%3Dday" {
		t.Errorf("a stranger: %d %s", w.Code, w.Header().Get("Location"))
	}
	w = r.ask("GET", "/worklist/k-1", "HX-Request: true", "HX-Current-URL: http://localhost:8080/worklist?page=2")
	if w.Code != http.StatusUnauthorized || w.Header().Get("HX-Redirect") != "/signin?to=%2Fworklist%3Fpage%3D2" {
		t.Errorf("a stranger's script: %d %v", w.Code, w.Header())
	}
	if w = r.ask("POST", "/worklist/k-1/approve"); w.Code != http.StatusUnauthorized {
		t.Errorf("a stranger's form: %d", w.Code)
	}
	viewer, clinician := r.signedIn("Ada", auth.Viewer), r.signedIn("Ben", auth.Clinician)
	if w = r.ask("GET", "/worklist/k-1", viewer); w.Code != 200 || w.Body.String() != "Ada" {
		t.Errorf("a viewer reads: %d %s", w.Code, w.Body)
	}
	if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "script-src 'self'") || strings.Contains(csp, "unsafe") || w.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("headers of a page: %v", w.Header())
	}
	if w = r.ask("POST", "/worklist/k-1/approve", viewer); w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "Not for your role") {
		t.Errorf("a viewer approves: %d %s", w.Code, w.Body)
	}
	if w = r.ask("POST", "/worklist/k-1/approve", clinician); w.Code != 200 || w.Body.String() != "Ben" {
		t.Errorf("a clinician approves: %d %s", w.Code, w.Body)
	}
	if w = r.ask("POST", "/worklist/k-1/approve", clinician, "Sec-Fetch-Site: cross-site"); w.Code != http.StatusForbidden {
		t.Errorf("from another site: %d", w.Code)
	}
	if w = r.ask("GET", "/worklist/Jo%20Doe", viewer); w.Code != 200 {
		t.Errorf("a key that is none: %d", w.Code)
	}
	at := r.config().Now()
	rows := []AuditRow{
		{at, "person local:Ada", "view", "/worklist/:key", "200", 0, "viewer", "k-1"},
		{at, "person local:Ada", "change", "/worklist/:key/approve", "403", 0, "viewer", "k-1"},
		{at, "person local:Ben", "change", "/worklist/:key/approve", "200", 0, "clinician", "k-1"},
		{at, "person local:Ada", "view", "/worklist/:key", "200", 0, "viewer", ""},
	}
	if diff := cmp.Diff(rows, r.audit); diff != "" {
		t.Errorf("audit (-want +got):\n%s", diff)
	}
	if w = r.send("POST", "/signout", "", viewer); w.Code != http.StatusSeeOther {
		t.Errorf("sign-out: %d", w.Code)
	}
	if w = r.ask("GET", "/worklist/k-1", viewer); w.Code != http.StatusSeeOther {
		t.Errorf("after the sign-out: %d", w.Code)
	}
	store.bad = fault.Unavailable
	if w = r.ask("GET", "/worklist/k-1", clinician); w.Code != http.StatusServiceUnavailable {
		t.Errorf("without the database: %d", w.Code)
	}
}

func TestPagesWithoutASignInAreClosed(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.Token, c.Extra = "s3cret", []route.Route{page("GET", "/worklist")} })
	if w := r.ask("GET", "/worklist", "Authorization: Bearer s3cret"); w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "No sign-in is set up") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// TestBeyondLoopbackNothingIsFree: what has no credentials configured is closed there, whatever the Host header says.
func TestBeyondLoopbackNothingIsFree(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Beyond = true
		c.Extra = []route.Route{{Method: "GET", Path: "/cds-services", Access: auth.ForCDS(), Handle: func(c *gin.Context) { c.Status(http.StatusOK) }}}
	})
	for _, request := range []string{"GET /metrics", "POST /fhir", "GET /cds-services", "GET /nowhere"} {
		method, url, _ := strings.Cut(request, " ")
		if w := r.ask(method, url); w.Code != http.StatusUnauthorized {
			t.Errorf("%s: %d", request, w.Code)
		}
	}
}

func TestSecretsOfFeeds(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Token = "all"
		c.Machines.Feeds = map[string]string{"ward": "ward-secret", "default": "default-secret"}
	})
	for _, c := range []struct {
		method, url, secret string
		status              int
	}{
		{"PUT", "/feeds/ward/fhir/Procedure/p-1", "ward-secret", 201},
		{"GET", "/feeds/ward/fhir/metadata", "ward-secret", 200},
		{"PUT", "/fhir/Procedure/p-1", "ward-secret", 403},
		{"PUT", "/feeds/default/fhir/Procedure/p-1", "default-secret", 201},
		{"PUT", "/fhir/Procedure/p-1", "default-secret", 201},
		{"PUT", "/feeds/ward/fhir/Procedure/p-1", "default-secret", 403},
		{"GET", "/metrics", "ward-secret", 403},
		{"GET", "/quarantine", "ward-secret", 403},
		{"GET", "/openapi.yaml", "ward-secret", 403},
		{"PUT", "/feeds/ward/fhir/Procedure/p-1", "all", 201},
		{"GET", "/metrics", "all", 200},
	} {
		body := ""
		if c.method == "PUT" {
			body = procedure
		}
		if w := r.send(c.method, c.url, body, "Authorization: Bearer "+c.secret); w.Code != c.status {
			t.Errorf("%s %s with %s: %d %s", c.method, c.url, c.secret, w.Code, w.Body)
		}
	}
	for name, change := range map[string]func(c *Config){
		"secret of an unknown feed": func(c *Config) { c.Machines.Feeds = map[string]string{"lab": "x"} },
		"pin of an unknown feed":    func(c *Config) { c.Machines.Pins = map[string][]auth.Pin{"lab": {{Issuer: "i"}}} },
		"issuer without audience":   func(c *Config) { c.Machines.Issuers = []auth.Issuer{{URL: "https://login.example"}} },
		"route twice":               func(c *Config) { c.Extra = []route.Route{page("GET", "/metrics")} },
		"route for nobody":          func(c *Config) { c.Extra = []route.Route{{Method: "GET", Path: "/x", Handle: func(*gin.Context) {}}} },
	} {
		bad := r.config()
		bad.Registry = nil
		change(&bad)
		if _, err := New(bad); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}

// TestKeysThatCannotBeRead: the log names the issuer, the setting and the cause; the caller hears of none.
func TestKeysThatCannotBeRead(t *testing.T) {
	t.Parallel()
	issuer := httptest.NewServer(http.NotFoundHandler())
	t.Cleanup(issuer.Close)
	r := setup(t, func(c *Config) {
		c.Machines.Issuers, c.Machines.Audiences = []auth.Issuer{{URL: issuer.URL, JWKS: issuer.URL + "/jwks"}}, []string{"us"}
		c.Machines.Now = c.Now
	})
	part := func(v string) string { return base64.RawURLEncoding.EncodeToString([]byte(v)) }
	token := part(`{"alg":"RS256","kid":"k"}`) + "." + part(`{"iss":"`+issuer.URL+`","aud":"us","sub":"Jo Doe","exp":`+strconv.FormatInt(r.cfg.Now().Unix()+600, 10)+`}`) + "." + part("x")
	w := r.ask("GET", "/metrics", "Authorization: Bearer "+token)
	if w.Code != http.StatusServiceUnavailable || strings.Contains(w.Body.String(), issuer.URL) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if log := r.log.String(); !strings.Contains(log, "issuer="+issuer.URL+" setting=issuers cause=\"answered 404\"") || strings.Contains(log, "Doe") {
		t.Errorf("the log says %s", log)
	}
}

func TestACallerIsLimited(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	r := setup(t, func(c *Config) {
		c.Rate, c.Token = 2, "all"
		c.Machines.Feeds = map[string]string{"ward": "ward-secret"}
		c.Now = func() time.Time { return now }
	})
	send := func(secret string) int {
		w := r.send("GET", "/feeds/ward/fhir/metadata", "", "Authorization: Bearer "+secret)
		if w.Code == http.StatusTooManyRequests && w.Header().Get("Retry-After") != "1" {
			t.Error("429 without Retry-After")
		}
		return w.Code
	}
	var codes []int
	for range 5 {
		codes = append(codes, send("ward-secret"))
	}
	if diff := cmp.Diff([]int{200, 200, 200, 200, 429}, codes); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if c := send("all"); c != 200 {
		t.Errorf("another caller: %d", c)
	}
	now = now.Add(time.Second)
	if c := send("ward-secret"); c != 200 {
		t.Errorf("a second later: %d", c)
	}
}

func TestKeysOfTheServiceAreOpen(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.Token, c.JWKS = "s3cret", []byte(`{"keys":[{"kty":"EC","kid":"k"}]}`) })
	w := r.send("GET", "/.well-known/jwks.json", "", "Host: dwellwatch.example")
	if w.Code != 200 || w.Header().Get("Cache-Control") == "" || !json.Valid(w.Body.Bytes()) || !strings.Contains(w.Body.String(), `"kid":"k"`) {
		t.Errorf("%d %v %s", w.Code, w.Header(), w.Body)
	}
}
