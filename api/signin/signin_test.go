package signin

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/internal/auth"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
	"github.com/golang-jwt/jwt/v5"
	"github.com/google/go-cmp/cmp"
	"github.com/oauth2-proxy/mockoidc"
)

const origin = "https://dwellwatch.example"

// shelf keeps sessions in memory.
type shelf struct {
	mu  sync.Mutex
	by  map[string]Session
	bad error
}

func (s *shelf) StartSession(_ context.Context, digest []byte, n Session) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.by[string(digest)] = n
	return s.bad
}

func (s *shelf) Session(_ context.Context, digest []byte, now time.Time, _ time.Duration) (Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, ok := s.by[string(digest)]
	if !ok || !now.Before(n.EndsAt) {
		return n, fault.NotFound
	}
	return n, s.bad
}

func (s *shelf) EndSession(_ context.Context, digest []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.by, string(digest))
	return s.bad
}

// user is somebody at the provider, with claims as they come.
type user struct {
	id    string
	extra map[string]any
	// change may spoil the claims that the provider itself makes.
	change func(jwt.MapClaims)
}

func (u user) ID() string                        { return u.id }
func (u user) Userinfo([]string) ([]byte, error) { return []byte(`{}`), nil }
func (u user) Claims(_ []string, c *mockoidc.IDTokenClaims) (jwt.Claims, error) {
	out := jwt.MapClaims{"iss": c.Issuer, "aud": c.Audience, "sub": c.Subject, "exp": c.ExpiresAt, "iat": c.IssuedAt, "nonce": c.Nonce}
	for name, value := range u.extra {
		out[name] = value
	}
	if u.change != nil {
		u.change(out)
	}
	return out, nil
}

// house is a service with a sign-in, and the browser of one person.
type house struct {
	*SignIn
	t       *testing.T
	oidc    *mockoidc.MockOIDC
	shelf   *shelf
	engine  *gin.Engine
	cookies map[string]*http.Cookie
	audit   []string
	now     time.Time
}

// open gives a service in front of a provider; change may alter it.
func open(t *testing.T, change func(c *Config)) *house {
	t.Helper()
	h := &house{t: t, shelf: &shelf{by: map[string]Session{}}, cookies: map[string]*http.Cookie{}, now: time.Now()}
	var err error
	if h.oidc, err = mockoidc.Run(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.oidc.Shutdown() })
	c := Config{Origin: origin, Secure: true, Idle: time.Hour, Lifetime: 8 * time.Hour, Store: h.shelf, Now: func() time.Time { return h.now },
		Log: slog.New(slog.DiscardHandler),
		Audit: func(_ context.Context, p auth.Person, action, pattern, outcome string) {
			h.audit = append(h.audit, strings.Join([]string{p.Subject, action, pattern, outcome}, "|"))
		},
		Provider: &Provider{Issuer: h.oidc.Issuer(), ClientID: h.oidc.Config().ClientID, ClientSecret: h.oidc.Config().ClientSecret, Redirect: origin + "/signin/callback",
			Scopes: []string{"openid", "profile"}, RoleClaim: "realm_access.roles", Record: "https://record.example/fhir",
			Roles: map[auth.Role][]string{auth.Clinician: {"radiology", "surgery"}, auth.Viewer: {"staff"}}, Now: func() time.Time { return h.now }}}
	if change != nil {
		change(&c)
	}
	if h.SignIn, err = New(c); err != nil {
		t.Fatal(err)
	}
	gin.SetMode(gin.ReleaseMode)
	h.engine = gin.New()
	for _, r := range h.Routes() {
		h.engine.Handle(r.Method, r.Path, r.Handle)
	}
	return h
}

// send sends a request as the browser would, and keeps the cookies.
func (h *house) send(method, target string, form url.Values, headers ...string) *httptest.ResponseRecorder {
	h.t.Helper()
	req := httptest.NewRequest(method, target, strings.NewReader(form.Encode()))
	if h.Local {
		req.Host = "localhost:8088"
	} else {
		req.Host = "dwellwatch.example"
	}
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for _, header := range headers {
		name, value, _ := strings.Cut(header, ": ")
		if name == "Host" {
			req.Host = value
		}
		req.Header.Set(name, value)
	}
	for _, c := range h.cookies {
		req.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.engine.ServeHTTP(w, req)
	for _, c := range w.Result().Cookies() {
		if c.MaxAge < 0 {
			delete(h.cookies, c.Name)
			continue
		}
		h.cookies[c.Name] = c
	}
	return w
}

// toProvider begins a sign-in and gives the address at the provider.
func (h *house) toProvider(to string) string {
	h.t.Helper()
	w := h.send("GET", "/signin?to="+url.QueryEscape(to), nil)
	if w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), h.oidc.AuthorizationEndpoint()+"?") {
		h.t.Fatalf("sign-in: %d %s %s", w.Code, w.Header().Get("Location"), w.Body)
	}
	return w.Header().Get("Location")
}

// atProvider lets somebody in at the provider, and gives the path and query with which the browser comes back.
func (h *house) atProvider(address string, u user) string {
	h.t.Helper()
	h.oidc.QueueUser(u)
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Get(address)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	back, ok := strings.CutPrefix(resp.Header.Get("Location"), origin)
	if !ok {
		h.t.Fatalf("the provider answers %d %s", resp.StatusCode, resp.Header.Get("Location"))
	}
	return back
}

func ada() user {
	return user{id: "ada-1", extra: map[string]any{"name": "Ada", "fhirUser": "https://record.example/fhir/Practitioner/7",
		"realm_access": map[string]any{"roles": []string{"surgery", "engineer", "offline_access"}}}}
}

// who gives the person of the browser.
func (h *house) who() (auth.Person, error) {
	req := httptest.NewRequest("GET", "/", nil)
	for _, c := range h.cookies {
		req.AddCookie(c)
	}
	return h.Person(req)
}

func TestSignInAtTheProvider(t *testing.T) {
	t.Parallel()
	h := open(t, nil)
	address := h.toProvider("/worklist/k-1?x=1")
	query, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	if q := query.Query(); q.Get("code_challenge_method") != "S256" || q.Get("code_challenge") == "" || q.Get("state") == "" || q.Get("nonce") == "" ||
		q.Get("state") == q.Get("nonce") || q.Get("response_type") != "code" || q.Get("redirect_uri") != origin+"/signin/callback" {
		t.Errorf("sent to the provider with %v", q)
	}
	back := h.atProvider(address, ada())
	w := h.send("GET", back, nil)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/worklist/k-1?x=1" {
		t.Fatalf("back: %d %s %s", w.Code, w.Header().Get("Location"), w.Body)
	}
	cookie := h.cookies["__Host-dwellwatch"]
	if cookie == nil || !cookie.Secure || !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode || cookie.Path != "/" || cookie.Domain != "" || len(cookie.Value) != 43 {
		t.Errorf("cookie %+v", cookie)
	}
	if _, left := h.cookies["__Host-dwellwatch-signin"]; left {
		t.Error("the cookie of the sign-in under way is left")
	}
	for kept := range h.shelf.by {
		if sum := sha256.Sum256([]byte(cookie.Value)); kept != string(sum[:]) {
			t.Error("what is kept is not the digest of the cookie")
		}
	}
	got, err := h.who()
	want := auth.Person{Subject: "ada-1", Name: "Ada", Practitioner: "Practitioner/7", Roles: []auth.Role{auth.Clinician, auth.Engineer}}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	if w = h.send("GET", back, nil); w.Code != http.StatusForbidden {
		t.Errorf("the same way back again: %d", w.Code)
	}
	h.now = h.now.Add(9 * time.Hour)
	if _, err := h.who(); !errors.Is(err, fault.NotFound) {
		t.Errorf("after the end of the session: %v", err)
	}
	if diff := cmp.Diff([]string{"ada-1|sign in|/signin/callback|303"}, h.audit); diff != "" {
		t.Errorf("audit (-want +got):\n%s", diff)
	}
}

// TestASignInRotatesTheSession: a session that was there before, perhaps somebody else's, ends, and its id is not used again.
func TestASignInRotatesTheSession(t *testing.T) {
	t.Parallel()
	h := open(t, nil)
	h.send("GET", h.atProvider(h.toProvider("/"), ada()), nil)
	first := h.cookies["__Host-dwellwatch"]
	planted := &http.Cookie{Name: "__Host-dwellwatch", Value: "planted-by-somebody-else"}
	h.send("GET", h.atProvider(h.toProvider("/"), ada()), nil)
	second := h.cookies["__Host-dwellwatch"]
	if first.Value == second.Value || len(h.shelf.by) != 1 {
		t.Errorf("the id stays, or %d sessions are left", len(h.shelf.by))
	}
	h.cookies["__Host-dwellwatch"] = planted
	h.send("GET", h.atProvider(h.toProvider("/"), ada()), nil)
	if _, used := h.shelf.by[string(digest(planted.Value))]; used || h.cookies["__Host-dwellwatch"].Value == planted.Value {
		t.Error("a planted id was taken")
	}
}

func TestSignInsThatDoNotSucceed(t *testing.T) {
	t.Parallel()
	spoiled := func(change func(jwt.MapClaims)) user { u := ada(); u.change = change; return u }
	for name, tc := range map[string]struct {
		who    user
		change func(h *house, back string) string // of the way back
		status int
	}{
		"another state": {ada(), func(_ *house, back string) string { return strings.Replace(back, "state=", "state=x", 1) }, 403},
		"no state": {ada(), func(_ *house, back string) string {
			return regexp.MustCompile(`state=[^&]*`).ReplaceAllString(back, "")
		}, 403},
		"another browser": {ada(), func(h *house, back string) string { clear(h.cookies); return back }, 403},
		"a code nobody gave": {ada(), func(_ *house, back string) string {
			return regexp.MustCompile(`code=[^&]*`).ReplaceAllString(back, "code=forged")
		}, 403},
		"no code": {ada(), func(_ *house, back string) string {
			return regexp.MustCompile(`code=[^&]*&?`).ReplaceAllString(back, "")
		}, 403},
		"the provider says no":  {ada(), func(_ *house, back string) string { return back + "&error=access_denied" }, 403},
		"another provider's":    {ada(), func(_ *house, back string) string { return back + "&iss=https%3A%2F%2Fother.example" }, 403},
		"its own name":          {ada(), func(h *house, back string) string { return back + "&iss=" + url.QueryEscape(h.oidc.Issuer()) }, 303},
		"another nonce":         {spoiled(func(c jwt.MapClaims) { c["nonce"] = "replayed" }), nil, 403},
		"no nonce":              {spoiled(func(c jwt.MapClaims) { delete(c, "nonce") }), nil, 403},
		"for another client":    {spoiled(func(c jwt.MapClaims) { c["aud"] = "another" }), nil, 403},
		"of another issuer":     {spoiled(func(c jwt.MapClaims) { c["iss"] = "https://other.example" }), nil, 403},
		"expired":               {spoiled(func(c jwt.MapClaims) { c["exp"] = time.Now().Add(-time.Hour).Unix() }), nil, 403},
		"nobody":                {spoiled(func(c jwt.MapClaims) { c["sub"] = "" }), nil, 403},
		"a zero in the subject": {spoiled(func(c jwt.MapClaims) { c["sub"] = "ada\x00" }), nil, 403},
		"no role":               {user{id: "bea", extra: map[string]any{"name": "Bea", "roles": "clinician"}}, nil, 403},
		"the provider is away":  {ada(), func(h *house, back string) string { _ = h.oidc.Shutdown(); return back }, 503},
		"the provider has trouble": {ada(), func(h *house, back string) string {
			h.oidc.QueueError(&mockoidc.ServerError{Code: 500, Error: "x"})
			return back
		}, 503},
		"the database is away": {ada(), func(h *house, back string) string { h.shelf.bad = fault.Unavailable; return back }, 503},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := open(t, nil)
			back := h.atProvider(h.toProvider("/worklist"), tc.who)
			if tc.change != nil {
				back = tc.change(h, back)
			}
			w := h.send("GET", back, nil)
			if w.Code != tc.status {
				t.Errorf("%d %s", w.Code, w.Body)
			}
			if _, err := h.who(); (err == nil) != (tc.status == 303) {
				t.Errorf("signed in: %v", err)
			}
			if tc.status != 303 && strings.Contains(w.Body.String(), "ada") {
				t.Errorf("the page names somebody: %s", w.Body)
			}
		})
	}
}

// TestTheLogNamesTheCause: whoever runs the service reads what went wrong and which setting to look at, and nothing of a token or person.
func TestTheLogNamesTheCause(t *testing.T) {
	t.Parallel()
	spoiled := func(change func(jwt.MapClaims)) user { u := ada(); u.change = change; return u }
	for want, tc := range map[string]struct {
		who    user
		config func(c *Config)
		change func(h *house, back string) string
	}{
		`cause="another state came back" setting=""`:                                         {ada(), nil, func(_ *house, back string) string { return strings.Replace(back, "state=", "state=x", 1) }},
		`cause="the browser came back without the cookie of its sign-in" setting=public-url`: {ada(), nil, func(h *house, back string) string { clear(h.cookies); return back }},
		`cause="the provider refuses: access_denied" setting=oidc-client-id`:                 {ada(), nil, func(_ *house, back string) string { return back + "&error=access_denied" }},
		`cause="the provider refuses:" setting=oidc-client-id`:                               {ada(), nil, func(_ *house, back string) string { return back + "&error=Jo+Doe" }},
		`cause="another issuer answers" setting=oidc-issuer`:                                 {ada(), nil, func(_ *house, back string) string { return back + "&iss=https%3A%2F%2Fother.example" }},
		`cause="exchange: answered 401 invalid_client" setting=oidc-client-secret`:           {ada(), func(c *Config) { c.Provider.ClientSecret = "wrong" }, nil},
		`cause="the token has another nonce" setting=""`:                                     {spoiled(func(c jwt.MapClaims) { c["nonce"] = "replayed" }), nil, nil},
		`cause="the token is for another client" setting=oidc-client-id`:                     {spoiled(func(c jwt.MapClaims) { c["aud"] = "another" }), nil, nil},
		`cause="the token is of another issuer" setting=oidc-issuer`:                         {spoiled(func(c jwt.MapClaims) { c["iss"] = "https://other.example" }), nil, nil},
		`cause="the token has expired, or the clocks differ" setting=""`:                     {spoiled(func(c jwt.MapClaims) { c["exp"] = time.Now().Add(-time.Hour).Unix() }), nil, nil},
		`cause="the token names nobody" setting=oidc-issuer`:                                 {spoiled(func(c jwt.MapClaims) { c["sub"] = "" }), nil, nil},
		`cause="no role" setting=oidc-roles`:                                                 {user{id: "bea", extra: map[string]any{"name": "Bea"}}, nil, nil},
		`cause="exchange: no answer" setting=oidc-issuer`:                                    {ada(), nil, func(h *house, back string) string { _ = h.oidc.Shutdown(); return back }},
		`cause="the database does not answer" setting=""`:                                    {ada(), nil, func(h *house, back string) string { h.shelf.bad = fault.Unavailable; return back }},
	} {
		t.Run(want, func(t *testing.T) {
			t.Parallel()
			var log strings.Builder
			h := open(t, func(c *Config) {
				c.Log = slog.New(slog.NewTextHandler(&log, nil))
				if tc.config != nil {
					tc.config(c)
				}
			})
			back := h.atProvider(h.toProvider("/worklist"), tc.who)
			if tc.change != nil {
				back = tc.change(h, back)
			}
			h.send("GET", back, nil)
			if !strings.Contains(log.String(), want) || strings.Contains(log.String(), "ada") || strings.Contains(log.String(), "Doe") {
				t.Errorf("the log says %s", log.String())
			}
		})
	}
}

// TestAProviderThatCannotBeRead is told of at the start, with its cause.
func TestAProviderThatCannotBeRead(t *testing.T) {
	t.Parallel()
	for want, answer := range map[string]http.HandlerFunc{
		`cause="discovery: answered 404" setting=oidc-issuer`: http.NotFound,
		`cause="discovery: the document names another issuer" setting=oidc-issuer`: func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write([]byte(`{"issuer":"https://other.example"}`))
		},
		`cause="discovery: the document cannot be read" setting=oidc-issuer`: func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(`<html>`)) },
		`cause="discovery: no answer" setting=oidc-issuer`:                   func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) },
	} {
		provider := httptest.NewServer(answer)
		t.Cleanup(provider.Close)
		var log strings.Builder
		h := open(t, func(c *Config) {
			c.Provider.Issuer, c.Log = provider.URL, slog.New(slog.NewTextHandler(&log, nil))
		})
		h.Look(t.Context())
		if !strings.Contains(log.String(), want) {
			t.Errorf("want %s, the log says %s", want, log.String())
		}
	}
	var log strings.Builder
	h := open(t, func(c *Config) { c.Log = slog.New(slog.NewTextHandler(&log, nil)) })
	if h.Look(t.Context()); log.Len() > 0 {
		t.Errorf("a good one: %s", log.String())
	}
}

func TestOnlyOwnPathsAreGoneBackTo(t *testing.T) {
	t.Parallel()
	for to, want := range map[string]string{
		"/worklist/k?x=1": "/worklist/k?x=1", "/": "/", "": "/worklist", "https://evil.example": "/worklist", "//evil.example": "/worklist",
		`/\evil.example`: "/worklist", "/a\\b": "/worklist", "javascript:alert(1)": "/worklist", "/a\nb": "/worklist", "/\t/evil.example": "/worklist",
		"evil": "/worklist", "/signin": "/worklist", "/signout?x": "/worklist", "/signin/callback?code=1": "/worklist", "/" + strings.Repeat("a", maxReturn): "/worklist",
		"/signing": "/signing", "/\u202e": "/worklist",
	} {
		if got := SafePath(to, "/worklist"); got != want {
			t.Errorf("%q: %q, want %q", to, got, want)
		}
	}
	h := open(t, nil)
	h.toProvider("//evil.example/x")
	back := h.atProvider(h.toProvider("//evil.example/x"), ada())
	// Somebody may write anything into their own cookie.
	c := h.cookies["__Host-dwellwatch-signin"]
	seed, _, _ := strings.Cut(c.Value, ".")
	c.Value = seed + "." + base64.RawURLEncoding.EncodeToString([]byte("//evil.example/x"))
	if w := h.send("GET", back, nil); w.Header().Get("Location") != "/worklist" {
		t.Errorf("sent to %s", w.Header().Get("Location"))
	}
}

func TestSignOut(t *testing.T) {
	t.Parallel()
	h := open(t, nil)
	h.send("GET", h.atProvider(h.toProvider("/"), ada()), nil)
	for _, headers := range [][]string{{"Sec-Fetch-Site: cross-site"}, {"Origin: https://evil.example"}} {
		if w := h.send("POST", "/signout", nil, headers...); w.Code != http.StatusForbidden {
			t.Errorf("from another site: %d", w.Code)
		}
	}
	if _, err := h.who(); err != nil {
		t.Fatalf("signed out by another site: %v", err)
	}
	// Asking for the page that says so ends nothing, and does not say so.
	if w := h.send("GET", "/signin?out=1", nil); w.Code != 200 || strings.Contains(w.Body.String(), "are signed out") || !strings.Contains(w.Body.String(), `<form method="post" action="/signout">`) {
		t.Errorf("with a session: %d %s", w.Code, w.Body)
	}
	kept := *h.cookies["__Host-dwellwatch"]
	// A proxy may tell us another host than the browser sees; the configured origin counts.
	if w := h.send("POST", "/signout", nil, "Host: inner:8080", "Origin: "+origin); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/signin?out=1" {
		t.Errorf("%d %s", w.Code, w.Header().Get("Location"))
	}
	h.cookies["__Host-dwellwatch"] = &kept
	if _, err := h.who(); !errors.Is(err, fault.NotFound) {
		t.Errorf("the old cookie still counts: %v", err)
	}
	if w := h.send("GET", "/signin?out=1", nil); w.Code != 200 || !strings.Contains(w.Body.String(), "are signed out") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := h.send("POST", "/signout", nil); w.Code != http.StatusSeeOther {
		t.Errorf("signed out twice: %d", w.Code)
	}
}

// TestSomebodyElseSignsOutFirst: the page that refuses leads to another sign-in by ending the session.
func TestSomebodyElseSignsOutFirst(t *testing.T) {
	t.Parallel()
	h := open(t, nil)
	h.engine.GET("/refused", func(c *gin.Context) { Refuse(c, http.StatusForbidden, "Not for your role", "Nothing was changed.") })
	h.send("GET", h.atProvider(h.toProvider("/"), ada()), nil)
	w := h.send("GET", "/refused", nil)
	if body := w.Body.String(); !strings.Contains(body, `<form method="post" action="/signout"><button type="submit">Sign in as somebody else</button></form>`) || strings.Contains(body, "?out=") {
		t.Errorf("%d %s", w.Code, body)
	}
	h.send("POST", "/signout", nil, "Origin: "+origin)
	if _, err := h.who(); !errors.Is(err, fault.NotFound) {
		t.Errorf("still signed in: %v", err)
	}
}

func local(c *Config) { c.Local, c.Provider, c.Origin, c.Secure = true, nil, "", false }

func TestTheDemonstrationsSignIn(t *testing.T) {
	t.Parallel()
	h := open(t, local)
	w := h.send("GET", "/signin?to=/worklist/k", nil)
	page := w.Body.String()
	if w.Code != 200 || !strings.Contains(page, "no password is asked") || !strings.Contains(page, `value="/worklist/k"`) || strings.Contains(page, "<script") {
		t.Errorf("%d %s", w.Code, page)
	}
	style := regexp.MustCompile(`(?s)<style>(.*)</style>`).FindStringSubmatch(page)
	sum := sha256.Sum256([]byte(style[1]))
	if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'") || strings.Contains(csp, "unsafe") {
		t.Errorf("the style is not the one that is allowed: %s", csp)
	}
	form := func(name, role string) url.Values {
		return url.Values{"name": {name}, "role": {role}, "to": {"/worklist/k"}}
	}
	for what, f := range map[string]url.Values{"no name": form(" ", "viewer"), "no role": form("Ada", ""), "another role": form("Ada", "admin"),
		"a long name": form(strings.Repeat("a", maxName+1), "viewer"), "a name of two lines": form("A\nB", "viewer")} {
		if w := h.send("POST", "/signin/local", f); w.Code != http.StatusUnprocessableEntity || len(h.shelf.by) != 0 {
			t.Errorf("%s: %d", what, w.Code)
		}
	}
	for what, header := range map[string]string{"another site": "Sec-Fetch-Site: cross-site", "a bent name": "Host: rebound.example"} {
		if w := h.send("POST", "/signin/local", form("Ada", "viewer"), header); w.Code != http.StatusForbidden || len(h.shelf.by) != 0 {
			t.Errorf("%s: %d", what, w.Code)
		}
	}
	if w := h.send("GET", "/signin", nil, "Host: rebound.example"); w.Code != http.StatusForbidden {
		t.Errorf("the page under a bent name: %d", w.Code)
	}
	if w := h.send("POST", "/signin/local", form("Åsa <b>", "coordinator")); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/worklist/k" {
		t.Errorf("%d %s", w.Code, w.Header().Get("Location"))
	}
	want := auth.Person{Subject: "local:Åsa <b>", Name: "Åsa <b>", Roles: []auth.Role{auth.Coordinator}, Local: true}
	got, err := h.who()
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	if w := h.send("GET", "/signin/callback?code=1&state=2", nil); w.Code != http.StatusForbidden {
		t.Errorf("a way back without a provider: %d", w.Code)
	}
	// The same database behind a service with a provider lets nobody in by it.
	other := open(t, func(c *Config) { c.Store = h.shelf })
	other.cookies["__Host-dwellwatch"] = &http.Cookie{Name: "__Host-dwellwatch", Value: h.cookies["dwellwatch"].Value}
	if _, err := other.who(); !errors.Is(err, fault.NotFound) {
		t.Errorf("a session of the demonstration elsewhere: %v", err)
	}
	if w := other.send("POST", "/signin/local", form("Ada", "viewer")); w.Code != http.StatusForbidden {
		t.Errorf("the demonstration's sign-in elsewhere: %d", w.Code)
	}
}

func TestAProviderThatIsAwayComesBack(t *testing.T) {
	t.Parallel()
	h := open(t, nil)
	h.oidc.QueueError(&mockoidc.ServerError{Code: 503, Error: "x"})
	if w := h.send("GET", "/signin", nil); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("away: %d", w.Code)
	}
	h.toProvider("/")
}

func TestConfigurationsThatAreRefused(t *testing.T) {
	t.Parallel()
	good := open(t, nil).Config
	for name, change := range map[string]func(*Config){
		"neither":             func(c *Config) { c.Provider = nil },
		"both":                func(c *Config) { c.Local = true },
		"local and beyond":    func(c *Config) { local(c); c.Secure = true },
		"no store":            func(c *Config) { c.Store = nil },
		"endless":             func(c *Config) { c.Lifetime = 0 },
		"an origin with path": func(c *Config) { c.Origin = "https://dwellwatch.example/x" },
	} {
		c := good
		change(&c)
		if _, err := New(c); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}

func TestClaims(t *testing.T) {
	t.Parallel()
	p := &Provider{RoleClaim: "https://hospital.example/roles", Record: "https://record.example/fhir/"}
	for user, want := range map[string]string{
		"Practitioner/7": "Practitioner/7", "https://record.example/fhir/Practitioner/7": "Practitioner/7", "PractitionerRole/r.1": "PractitionerRole/r.1",
		"https://other.example/fhir/Practitioner/7": "", "Patient/7": "", "Practitioner/": "", "Practitioner/a/b": "", "Practitioner/<b>": "", "": "",
	} {
		if got := p.practitioner(map[string]any{"fhirUser": user}); got != want {
			t.Errorf("%q: %q, want %q", user, got, want)
		}
	}
	got, err := p.person("s", map[string]any{"https://hospital.example/roles": "viewer", "preferred_username": "ada"})
	if diff := cmp.Diff(auth.Person{Subject: "s", Name: "ada", Roles: []auth.Role{auth.Viewer}}, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	if got, err := p.person("s", map[string]any{"https://hospital.example/roles": "viewer", "name": "A\x00da", "preferred_username": "ada"}); err != nil || got.Name != "ada" {
		t.Errorf("a name with a zero: %q, %v", got.Name, err)
	}
	for name, claims := range map[string]map[string]any{"none": {}, "a number": {"https://hospital.example/roles": 1}, "others": {"https://hospital.example/roles": []any{"Viewer", 7}}} {
		if _, err := p.person("s", claims); !errors.Is(err, errNoRole) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
