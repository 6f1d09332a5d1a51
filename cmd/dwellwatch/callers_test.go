package main

import (
	"cmp"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jwk"
	"github.com/lestrrat-go/jwx/v3/jws"
	"github.com/lestrrat-go/jwx/v3/jwt"
	"github.com/oauth2-proxy/mockoidc"

	"dwellwatch/api"
	"dwellwatch/api/route"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/postgres"
)

// public is how the service is known.
const (
	public   = "https://dwellwatch.example"
	wardFHIR = "/feeds/:feed/fhir"
)

// signer is a party whose key set is served.
type signer struct {
	t    *testing.T
	url  string
	hits atomic.Int64
	ec   *ecdsa.PrivateKey
	rsa  *rsa.PrivateKey
}

func newSigner(t *testing.T) *signer {
	t.Helper()
	s := &signer{t: t}
	var err error
	if s.ec, err = ecdsa.GenerateKey(elliptic.P384(), rand.Reader); err != nil {
		t.Fatal(err)
	}
	if s.rsa, err = rsa.GenerateKey(rand.Reader, 2048); err != nil {
		t.Fatal(err)
	}
	set := jwk.NewSet()
	for kid, key := range map[string]any{"ec": s.ec.Public(), "rsa": s.rsa.Public()} {
		k, err := jwk.Import(key)
		if err != nil || k.Set(jwk.KeyIDKey, kid) != nil || set.AddKey(k) != nil {
			t.Fatal(err)
		}
	}
	body, err := json.Marshal(set)
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		s.hits.Add(1)
		_, _ = w.Write(body)
	}))
	t.Cleanup(server.Close)
	s.url = server.URL
	return s
}

// sign makes the value of an Authorization header.
func (s *signer) sign(alg jwa.SignatureAlgorithm, key any, kid string, claims map[string]any, header ...string) string {
	s.t.Helper()
	token := jwt.New()
	for name, value := range claims {
		if err := token.Set(name, value); err != nil {
			s.t.Fatal(err)
		}
	}
	h := jws.NewHeaders()
	pairs := append([]string{"kid", kid, "typ", "JWT"}, header...)
	for n := 0; n < len(pairs); n += 2 {
		if err := h.Set(pairs[n], pairs[n+1]); err != nil {
			s.t.Fatal(err)
		}
	}
	signed, err := jwt.Sign(token, jwt.WithKey(alg, key, jws.WithProtectedHeaders(h)))
	if err != nil {
		s.t.Fatal(err)
	}
	return "Bearer " + string(signed)
}

func (s *signer) ecdsa(claims map[string]any, header ...string) string {
	return s.sign(jwa.ES384(), s.ec, "ec", claims, header...)
}

// gate is a service with every kind of caller configured, which other machines can reach.
type gate struct {
	*program
	t                *testing.T
	issuer, ehr, bad *signer
	handler          http.Handler
	table            []route.Route
	sessions         map[string]string // cookies by who it is
}

func openGate(t *testing.T) *gate {
	t.Helper()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	provider, err := mockoidc.Run()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = provider.Shutdown() })
	g := &gate{t: t, issuer: newSigner(t), ehr: newSigner(t), bad: newSigner(t), sessions: map[string]string{}}
	s := settings{basis: assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC}, now: time.Now, log: slog.New(slog.DiscardHandler)}
	s.DatabaseURL, s.Feeds, s.PublicURL, s.Listen, s.Token = dbtest.URL(t), feedMap{"ward": "https://ward.example/fhir"}, public, "0.0.0.0:8080", "the-token"
	s.FeedTokens = pairs{"ward": "ward-secret", "default": "default-secret"}
	s.Issuers = pairs{g.issuer.url: g.issuer.url + "/jwks"}
	s.FeedCallers = pairs{"ward": g.issuer.url + "|ward-client"}
	s.CDSClients = pairs{g.ehr.url: g.ehr.url + "/jwks"}
	s.OIDCIssuer, s.OIDCClientID, s.OIDCScopes, s.OIDCRoleClaim = provider.Issuer(), "us", []string{"openid"}, "groups"
	s.SessionIdle, s.SessionLifetime = time.Hour, 8*time.Hour
	// Here the public address is https, which a test cannot be; the check of the settings is tested elsewhere.
	if g.program, err = start(t.Context(), s); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.close)
	// All that the program answers, and routes of every kind besides. Each handler counts on a registry of its own.
	c := g.config
	c.Extra, c.Registry = slices.Concat(c.Extra, ownRoutes()), nil
	if g.table, err = api.Table(c); err != nil {
		t.Fatal(err)
	}
	if g.handler, err = api.New(c); err != nil {
		t.Fatal(err)
	}
	g.enterAll()
	return g
}

func (g *gate) enterAll() {
	for _, who := range []string{"viewer", "coordinator", "clinician", "engineer", "nobody", "over", "idle", "local"} {
		g.enter(who)
	}
}

// ownRoutes are routes of every kind that the program may not have by itself.
func ownRoutes() []route.Route {
	answer := func(c *gin.Context) { c.String(http.StatusOK, "reached") }
	return []route.Route{
		{Method: "GET", Path: "/test/cds", Access: auth.ForCDS(), Handle: answer},
		{Method: "POST", Path: "/test/cds/:id/feedback", Access: auth.ForCDS(), Handle: answer},
		{Method: "OPTIONS", Path: "/test/cds", Access: auth.Open(), Handle: answer},
		{Method: "GET", Path: "/test/pages", Access: auth.ForPeople(), Handle: answer},
		{Method: "GET", Path: "/test/pages/:id", Access: auth.ForPeople(auth.Viewer, auth.Coordinator, auth.Clinician), Handle: answer, Filter: "id"},
		{Method: "POST", Path: "/test/pages/:id", Access: auth.ForPeople(auth.Clinician), Handle: answer, Filter: "id"},
		{Method: "GET", Path: "/test/feeds", Access: auth.ForPeople(auth.Engineer), Handle: answer},
	}
}

// enter keeps a session for a role, or one that lets nobody in, in place of the one before.
func (g *gate) enter(who string) {
	g.t.Helper()
	now := time.Now()
	session := postgres.Session{Subject: "sub-" + who, Name: who, Roles: []string{who}, StartedAt: now, EndsAt: now.Add(time.Hour)}
	switch who {
	case "nobody":
		session.Roles = nil
	case "over":
		session.Roles, session.StartedAt, session.EndsAt = []string{"clinician"}, now.Add(-2*time.Hour), now.Add(-time.Minute)
	case "idle":
		session.Roles, session.StartedAt = []string{"clinician"}, now.Add(-2*time.Hour)
	case "local":
		session.Roles, session.Local = []string{"clinician"}, true
	}
	id := "id-of-" + who
	sum := sha256.Sum256([]byte(id))
	if err := cmp.Or(g.store.EndSession(g.t.Context(), sum[:]), g.store.StartSession(g.t.Context(), sum[:], session)); err != nil {
		g.t.Fatal(err)
	}
	g.sessions[who] = "__Host-dwellwatch=" + id
}

// known says of each route, apart from the route table, who may use it.
type known struct {
	kind  auth.Kind
	scope string // of a token that opens it
	roles []auth.Role
}

// knownRoutes is what this test expects; a route that is missing here fails it.
func knownRoutes() map[string]known {
	out := map[string]known{
		"GET /healthz": {kind: auth.Anybody}, "GET /readyz": {kind: auth.Anybody}, "GET /.well-known/jwks.json": {kind: auth.Anybody},
		"GET /signin": {kind: auth.Anybody}, "GET /signin/callback": {kind: auth.Anybody}, "POST /signin/local": {kind: auth.Anybody}, "POST /signout": {kind: auth.Anybody},
		"POST /assess":    {kind: auth.Machine, scope: "dwellwatch/assess"},
		"GET /quarantine": {kind: auth.Machine, scope: "dwellwatch/quarantine"}, "GET /quarantine/:id": {kind: auth.Machine, scope: "dwellwatch/quarantine"},
		"DELETE /quarantine/:id": {kind: auth.Machine, scope: "dwellwatch/quarantine"}, "POST /quarantine/:id/replay": {kind: auth.Machine, scope: "dwellwatch/quarantine"},
		"GET /metrics": {kind: auth.Machine, scope: "dwellwatch/metrics"}, "GET /openapi.yaml": {kind: auth.Machine},

		"GET /test/cds": {kind: auth.CDS}, "POST /test/cds/:id/feedback": {kind: auth.CDS}, "OPTIONS /test/cds": {kind: auth.Anybody},
		"GET /test/pages":      {kind: auth.People, roles: []auth.Role{auth.Viewer, auth.Coordinator, auth.Clinician, auth.Engineer}},
		"GET /test/pages/:id":  {kind: auth.People, roles: []auth.Role{auth.Viewer, auth.Coordinator, auth.Clinician}},
		"POST /test/pages/:id": {kind: auth.People, roles: []auth.Role{auth.Clinician}},
		"GET /test/feeds":      {kind: auth.People, roles: []auth.Role{auth.Engineer}},
	}
	for _, pages := range []struct {
		roles  []auth.Role
		routes []string
	}{
		{[]auth.Role{auth.Viewer, auth.Coordinator, auth.Clinician, auth.Engineer}, []string{"GET /worklist", "GET /worklist/assets/:name"}},
		{[]auth.Role{auth.Viewer, auth.Coordinator, auth.Clinician}, []string{"POST /worklist/search", "GET /worklist/filters/:filter", "GET /worklist/filters/:filter/document"}},
		{[]auth.Role{auth.Coordinator, auth.Clinician}, []string{"POST /worklist/filters/:filter/contact", "POST /worklist/filters/:filter/correction", "POST /worklist/filters/:filter/take-back"}},
		{[]auth.Role{auth.Clinician}, []string{"POST /worklist/filters/:filter/approve", "POST /worklist/filters/:filter/snooze", "POST /worklist/filters/:filter/decline",
			"POST /worklist/filters/:filter/outcome", "POST /worklist/filters/:filter/reassessment", "POST /worklist/filters/:filter/complication"}},
		{[]auth.Role{auth.Engineer}, []string{"GET /engineer", "GET /engineer/quarantine", "GET /engineer/quarantine/:id", "POST /engineer/quarantine/:id/replay", "POST /engineer/quarantine/:id/discard"}},
	} {
		for _, at := range pages.routes {
			out[at] = known{kind: auth.People, roles: pages.roles}
		}
	}
	for _, at := range []string{"POST /cds-services/:id", "POST /cds-services/:id/feedback", "GET /cds-services"} {
		_, path, _ := strings.Cut(at, " ")
		out[at], out["OPTIONS "+path] = known{kind: auth.CDS}, known{kind: auth.Anybody}
	}
	for _, base := range []string{"/fhir", wardFHIR} {
		out["POST "+base] = known{kind: auth.Machine, scope: "system/Procedure.c"}
		out["GET "+base+"/metadata"] = known{kind: auth.Machine}
		for _, at := range []string{"/:type", "/:type/:id"} {
			out["POST "+base+at] = known{kind: auth.Machine, scope: "system/Procedure.c"}
			out["PUT "+base+at] = known{kind: auth.Machine, scope: "system/Procedure.u"}
			out["DELETE "+base+at] = known{kind: auth.Machine, scope: "system/Procedure.d"}
		}
	}
	return out
}

// try is one way to call: headers, and whether it is let in.
type try struct {
	name    string
	headers map[string]string
	in      bool
}

// tries gives every way to call a route.
func (g *gate) tries(pattern, path string, k known) []try {
	bearer := func(name, value string, in bool) try {
		return try{name, map[string]string{"Authorization": value}, in}
	}
	machine, cds, people, open := k.kind == auth.Machine, k.kind == auth.CDS, k.kind == auth.People, k.kind == auth.Anybody
	feed := ""
	switch {
	case strings.HasPrefix(pattern, wardFHIR):
		feed = "ward"
	case strings.HasPrefix(pattern, "/fhir"):
		feed = "default"
	}
	out := []try{
		{"nothing", nil, open},
		bearer("a wrong secret", "Bearer the-token-not", open),
		bearer("the secret by another scheme", "Basic the-token", open),
		bearer("the secret", "Bearer the-token", open || machine || cds),
		bearer("the secret of ward", "Bearer ward-secret", open || machine && feed == "ward"),
		bearer("the secret of default", "Bearer default-secret", open || machine && feed == "default"),
	}
	// Access tokens: good ones have no more than the scope that is needed.
	now := time.Now()
	all := []string{"dwellwatch/assess", "dwellwatch/quarantine", "dwellwatch/metrics", "system/Procedure.c", "system/Procedure.u", "system/Procedure.d", "system/Device.cud", "user/Procedure.cud", "patient/*.write"}
	others := slices.DeleteFunc(slices.Clone(all), func(s string) bool { return s == k.scope })
	if pattern == "/fhir" || pattern == wardFHIR {
		others = []string{"dwellwatch/assess", "system/Device.cud", "system/Procedure.rs", "user/Procedure.cud"}
	}
	access := func(changes map[string]any) map[string]any {
		claims := map[string]any{"iss": g.issuer.url, "aud": public + "/fhir", "iat": now, "exp": now.Add(5 * time.Minute), "client_id": "ward-client", "scope": k.scope}
		for name, value := range changes {
			claims[name] = value
		}
		return claims
	}
	spki, err := x509.MarshalPKIXPublicKey(g.issuer.rsa.Public())
	if err != nil {
		g.t.Fatal(err)
	}
	none := base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none","kid":"ec"}`)) + "." + base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil,
		`{"iss":%q,"aud":%q,"exp":%d,"client_id":"ward-client","scope":%q}`, g.issuer.url, public+"/fhir", now.Add(time.Minute).Unix(), strings.Join(all, " "))) + "."
	out = append(out,
		bearer("a good token", g.issuer.ecdsa(access(nil)), open || machine),
		bearer("a good token by RSA", g.issuer.sign(jwa.RS256(), g.issuer.rsa, "rsa", access(nil)), open || machine),
		bearer("a token of version 1", g.issuer.ecdsa(access(map[string]any{"scope": "system/*.write " + k.scope})), open || machine),
		bearer("a token with other scopes", g.issuer.ecdsa(access(map[string]any{"scope": strings.Join(others, " ")})), open || machine && k.scope == ""),
		bearer("a token without scope", g.issuer.ecdsa(access(map[string]any{"scope": ""})), open || machine && k.scope == ""),
		bearer("another client's token", g.issuer.ecdsa(access(map[string]any{"client_id": "other"})), open || machine && feed != "ward"),
		bearer("an expired token", g.issuer.ecdsa(access(map[string]any{"exp": now.Add(-2 * time.Minute)})), open),
		bearer("a token from the future", g.issuer.ecdsa(access(map[string]any{"iat": now.Add(5 * time.Minute)})), open),
		bearer("a token for another", g.issuer.ecdsa(access(map[string]any{"aud": "https://other.example"})), open),
		bearer("a stranger's token", g.bad.ecdsa(access(map[string]any{"iss": g.bad.url})), open),
		bearer("a forged token", g.bad.ecdsa(access(nil)), open),
		bearer("a token by HMAC with the public key", g.issuer.sign(jwa.HS256(), spki, "rsa", access(nil)), open),
		bearer("an unsigned token", "Bearer "+none, open),
	)
	client := func(id string, changes map[string]any) map[string]any {
		claims := map[string]any{"iss": g.ehr.url, "aud": public + path, "iat": now, "exp": now.Add(5 * time.Minute), "jti": pattern + path + id}
		for name, value := range changes {
			claims[name] = value
		}
		return claims
	}
	once := g.ehr.ecdsa(client("once", nil))
	out = append(out,
		bearer("a CDS client's token", once, open || cds),
		bearer("the same once more", once, open),
		bearer("one with the listed jku", g.ehr.ecdsa(client("jku", nil), "jku", g.ehr.url+"/jwks"), open || cds),
		bearer("one with a jku elsewhere", g.bad.ecdsa(client("bad", nil), "jku", g.bad.url+"/jwks"), open),
		bearer("one for another endpoint", g.ehr.ecdsa(client("aud", map[string]any{"aud": public + path + "/x"})), open),
		bearer("one by the name that was called", g.ehr.ecdsa(client("host", map[string]any{"aud": "https://inner.example" + path})), open),
		bearer("an expired one", g.ehr.ecdsa(client("old", map[string]any{"exp": now.Add(-2 * time.Minute)})), open),
		bearer("one from the future", g.ehr.ecdsa(client("iat", map[string]any{"iat": now.Add(5 * time.Minute)})), open),
		bearer("a stranger's", g.bad.ecdsa(client("who", map[string]any{"iss": g.bad.url})), open),
		bearer("a forged one", g.bad.ecdsa(client("forged", nil)), open),
		bearer("one for ever", g.ehr.ecdsa(client("ever", map[string]any{"exp": now.Add(48 * time.Hour)})), open),
	)
	for who, cookie := range g.sessions {
		out = append(out, try{"the session of " + who, map[string]string{"Cookie": cookie}, open || people && slices.Contains(k.roles, auth.Role(who))})
	}
	return append(out,
		try{"a session that is none", map[string]string{"Cookie": "__Host-dwellwatch=guess"}, open},
		try{"a session under the name without the prefix", map[string]string{"Cookie": strings.TrimPrefix(g.sessions["clinician"], "__Host-")}, open},
		try{"a session beside a wrong secret", map[string]string{"Cookie": g.sessions["clinician"], "Authorization": "Bearer no"}, open || people && slices.Contains(k.roles, auth.Clinician)},
	)
}

// TestEveryRouteByEveryCaller walks the route table: every route with no, wrong, expired, foreign and right credentials. It fails on a
// route that it does not know.
func TestEveryRouteByEveryCaller(t *testing.T) {
	t.Parallel()
	g := openGate(t)
	expected := knownRoutes()
	seen := map[string]bool{}
	pairs, let := 0, 0
	for _, r := range g.table {
		key := r.Method + " " + r.Path
		k, ok := expected[key]
		if !ok {
			t.Errorf("%s: this test does not know the route; say in knownRoutes who may use it", key)
			continue
		}
		seen[key] = true
		path := strings.NewReplacer(":feed", "ward", ":type", "Procedure", ":id", "p-1", ":filter", "6a4725c7-c66b-4669-8a1b-3b1f5f0c9d10", ":name", "style.css").Replace(r.Path)
		g.enterAll() // a route may have signed somebody out
		for _, c := range g.tries(r.Path, path, k) {
			pairs++
			if c.in {
				let++
			}
			g.check(r, path, k, c)
		}
	}
	for key := range expected {
		if !seen[key] {
			t.Errorf("%s is gone from the route table", key)
		}
	}
	if n := g.bad.hits.Load(); n != 0 {
		t.Errorf("a stranger's keys were read %d times", n)
	}
	if g.issuer.hits.Load() != 1 || g.ehr.hits.Load() != 1 {
		t.Errorf("keys were read %d and %d times", g.issuer.hits.Load(), g.ehr.hits.Load())
	}
	t.Logf("%d routes, %d pairs of route and credentials: %d let in, %d refused", len(seen), pairs, let, pairs-let)
}

// check sends one request under a name that a stranger may choose, and judges the answer.
func (g *gate) check(r route.Route, path string, k known, c try) {
	g.t.Helper()
	body := `{"resourceType":"Procedure","id":"p-1","status":"completed","code":{"text":"x"},"subject":{"reference":"Patient/p"}}`
	if r.Method == http.MethodGet || r.Method == http.MethodDelete || r.Method == http.MethodOptions {
		body = ""
	}
	req := httptest.NewRequestWithContext(g.t.Context(), r.Method, path, strings.NewReader(body))
	req.Host = "localhost"
	if body != "" {
		req.Header.Set("Content-Type", "application/fhir+json")
	}
	for name, value := range c.headers {
		req.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	g.handler.ServeHTTP(w, req)
	toSignIn := w.Code == http.StatusSeeOther && strings.HasPrefix(w.Header().Get("Location"), "/signin?to=")
	refused := w.Code == http.StatusUnauthorized || w.Code == http.StatusForbidden || toSignIn
	if k.kind == auth.Anybody && strings.HasPrefix(r.Path, "/signin") {
		refused = w.Code == http.StatusUnauthorized // the sign-in itself says 403 to what is no way back from a provider
	}
	switch {
	case refused == c.in:
		g.t.Errorf("%s %s by %s: %d %s %.200s", r.Method, r.Path, c.name, w.Code, w.Header().Get("Location"), w.Body)
	case w.Code >= http.StatusInternalServerError:
		g.t.Errorf("%s %s by %s: %d", r.Method, r.Path, c.name, w.Code)
	case c.in && strings.HasPrefix(r.Path, "/test/") && w.Body.String() != "reached":
		g.t.Errorf("%s %s by %s: the route was not reached: %d", r.Method, r.Path, c.name, w.Code)
	case !c.in && strings.Contains(w.Body.String(), "reached"):
		g.t.Errorf("%s %s by %s: refused and answered all the same", r.Method, r.Path, c.name)
	case w.Code == http.StatusUnauthorized && k.kind != auth.People && !strings.HasPrefix(w.Header().Get("WWW-Authenticate"), "Bearer"):
		g.t.Errorf("%s %s by %s: 401 without a challenge", r.Method, r.Path, c.name)
	}
}

// TestTheAuditNamesWhoCame reads the table after a person, a CDS client, a client with an access token and strangers have called.
func TestTheAuditNamesWhoCame(t *testing.T) {
	t.Parallel()
	g := openGate(t)
	send := func(method, path, header, value string) {
		t.Helper()
		req := httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(""))
		req.Header.Set(header, value)
		g.handler.ServeHTTP(httptest.NewRecorder(), req)
	}
	now := time.Now()
	send("GET", "/test/pages/3f7c", "Cookie", g.sessions["viewer"])
	send("POST", "/test/pages/3f7c", "Cookie", g.sessions["viewer"])
	send("GET", "/test/pages/3f7c", "Cookie", "__Host-dwellwatch=guess")
	send("GET", "/test/cds", "Authorization", g.ehr.ecdsa(map[string]any{"iss": g.ehr.url, "aud": public + "/test/cds", "iat": now, "exp": now.Add(time.Minute), "jti": "1", "tenant": "north"}))
	send("DELETE", "/feeds/ward/fhir/Procedure/p-1", "Authorization", g.issuer.ecdsa(map[string]any{"iss": g.issuer.url, "aud": public, "exp": now.Add(time.Minute), "azp": "ward-client", "scope": "system/*.d"}))
	send("DELETE", "/feeds/ward/fhir/Procedure/p-1", "Authorization", "Bearer ward-secret")
	send("DELETE", "/feeds/ward/fhir/Procedure/p-1", "Authorization", "Bearer nothing")
	const read = `SELECT caller || '|' || role || '|' || action || '|' || route || '|' || filter || '|' || outcome FROM audit ORDER BY id`
	rows, err := g.store.Pool().Query(t.Context(), read)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			t.Fatal(err)
		}
		got = append(got, line)
	}
	want := []string{
		"person sub-viewer|viewer|view|/test/pages/:id|3f7c|200",
		"person sub-viewer|viewer|change|/test/pages/:id|3f7c|403",
		"cds " + g.ehr.url + " tenant north||cds|/test/cds||200",
		"feed ward by client ward-client of " + g.issuer.url + "||deliver|/feeds/:feed/fhir/:type/:id||200",
		"feed ward||deliver|/feeds/:feed/fhir/:type/:id||200",
	}
	if !slices.Equal(want, got) {
		t.Errorf("audit:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestEachEntryNeedsItsScope: a token for one type opens the base, and carries nothing else in.
func TestEachEntryNeedsItsScope(t *testing.T) {
	t.Parallel()
	g := openGate(t)
	entry := func(method, typ, id string) string {
		url, resource := typ, fmt.Sprintf(`"resource":{"resourceType":%q,"id":%q,"status":"completed","subject":{"reference":"Patient/p"}},`, typ, id)
		if method != "POST" {
			url += "/" + id
		}
		if method == "DELETE" {
			resource = ""
		}
		return fmt.Sprintf(`{%s"request":{"method":%q,"url":%q}}`, resource, method, url)
	}
	bundle := func(kind string, entries ...string) string {
		return fmt.Sprintf(`{"resourceType":"Bundle","type":%q,"entry":[%s]}`, kind, strings.Join(entries, ","))
	}
	send := func(scope, body string) (int, []string) {
		t.Helper()
		req := httptest.NewRequestWithContext(t.Context(), "POST", "/fhir", strings.NewReader(body))
		req.Header.Set("Content-Type", "application/fhir+json")
		req.Header.Set("Authorization", g.issuer.ecdsa(map[string]any{"iss": g.issuer.url, "aud": public, "exp": time.Now().Add(time.Minute), "sub": "c", "scope": scope}))
		w := httptest.NewRecorder()
		g.handler.ServeHTTP(w, req)
		var answer struct {
			Entry []struct{ Response struct{ Status string } }
		}
		if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil {
			t.Fatal(err)
		}
		var codes []string
		for _, e := range answer.Entry {
			codes = append(codes, e.Response.Status[:3])
		}
		return w.Code, codes
	}
	mixed := []string{entry("POST", "Procedure", "a"), entry("PUT", "Procedure", "b"), entry("DELETE", "Procedure", "c"), entry("PUT", "DiagnosticReport", "d")}
	for _, c := range []struct {
		scope, body string
		status      int
		entries     string
	}{
		{"system/Procedure.c", bundle("batch", mixed...), 200, "200 403 403 403"},
		{"system/Procedure.cu", bundle("batch", mixed...), 200, "200 200 403 403"},
		{"system/Procedure.d system/DiagnosticReport.u", bundle("batch", mixed...), 200, "403 403 200 200"},
		{"system/*.cud", bundle("batch", mixed...), 200, "200 200 200 200"},
		{"system/Procedure.cud", bundle("transaction", mixed...), 403, ""},
		{"system/*.write", bundle("transaction", mixed...), 200, "200 200 200 200"},
		{"system/Procedure.u", bundle("collection", `{"resource":{"resourceType":"Procedure","id":"e","status":"completed","subject":{"reference":"Patient/p"}}}`), 200, "200"},
		{"system/Procedure.d", bundle("collection", `{"resource":{"resourceType":"Procedure","id":"e","status":"completed","subject":{"reference":"Patient/p"}}}`), 200, "403"},
		{"system/Procedure.u", `{"resourceType":"Procedure","id":"e","status":"completed","subject":{"reference":"Patient/p"}}`, 200, ""},
		{"system/Device.u", `{"resourceType":"Procedure","id":"e","status":"completed","subject":{"reference":"Patient/p"}}`, 403, ""},
	} {
		status, codes := send(c.scope, c.body)
		if status != c.status || strings.Join(codes, " ") != c.entries {
			t.Errorf("%s, %.40s: %d %v, want %d %s", c.scope, c.body, status, codes, c.status, c.entries)
		}
	}
	const held = `SELECT count(*) FROM quarantine`
	var n int
	if err := g.store.Pool().QueryRow(t.Context(), held).Scan(&n); err != nil || n != 0 {
		t.Errorf("%d entries without a scope lie in the quarantine: %v", n, err)
	}
}
