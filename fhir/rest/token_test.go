package rest

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jwk"
	"github.com/lestrrat-go/jwx/v3/jws"
	"github.com/lestrrat-go/jwx/v3/jwt"
)

// pemKey gives a fresh private key in PEM: "rsa", "P-384" or "P-256", in PKCS #8 or in the kind's own form.
func pemKey(t *testing.T, kind string, own bool) []byte {
	t.Helper()
	var private any
	var err error
	label, body := "PRIVATE KEY", []byte(nil)
	switch kind {
	case "rsa":
		var k *rsa.PrivateKey
		if k, err = rsa.GenerateKey(rand.Reader, 2048); err == nil && own {
			label, body = "RSA PRIVATE KEY", x509.MarshalPKCS1PrivateKey(k)
		}
		private = k
	default:
		curve := elliptic.P384()
		if kind == "P-256" {
			curve = elliptic.P256()
		}
		var k *ecdsa.PrivateKey
		if k, err = ecdsa.GenerateKey(curve, rand.Reader); err == nil && own {
			label = "EC PRIVATE KEY"
			body, err = x509.MarshalECPrivateKey(k)
		}
		private = k
	}
	if err == nil && body == nil {
		body, err = x509.MarshalPKCS8PrivateKey(private)
	}
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: label, Bytes: body})
}

func newKey(t *testing.T, kind string) Key {
	t.Helper()
	k, err := ReadKey(pemKey(t, kind, false))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// recordServer is a record with an authorization server, which knows our keys and refuses to see an assertion twice.
type recordServer struct {
	t    *testing.T
	url  string
	keys []byte // our key set

	mu       sync.Mutex
	seen     map[string]bool
	asked    []string // scopes of each request for a token
	tokens   int
	good     string // the token that the record takes
	lasts    int
	scope    string // what is granted; "" says nothing
	oldOnly  bool   // knows scopes of version 1 only
	status   int    // of the token endpoint, where it is set
	endpoint string // as the SMART configuration names it
	reads    int
	late     time.Duration
}

func newRecord(t *testing.T, keys ...Key) *recordServer {
	t.Helper()
	set, err := PublicSet(keys...)
	if err != nil {
		t.Fatal(err)
	}
	r := &recordServer{t: t, keys: set, seen: map[string]bool{}, lasts: 300, endpoint: "../auth/token"}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /auth/token", r.token)
	mux.HandleFunc("GET /fhir/.well-known/smart-configuration", func(w http.ResponseWriter, _ *http.Request) {
		_ = json.NewEncoder(w).Encode(map[string]any{"token_endpoint": r.endpoint, "grant_types_supported": []string{"client_credentials"}})
	})
	mux.HandleFunc("GET /fhir/Task/a", func(w http.ResponseWriter, req *http.Request) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.reads++
		if req.Header.Get("Authorization") != "Bearer "+r.good || r.good == "" {
			reply(w, http.StatusUnauthorized, "")
			return
		}
		reply(w, http.StatusOK, `{"resourceType":"Task","id":"a","meta":{"versionId":"1"}}`)
	})
	s := httptest.NewServer(mux)
	t.Cleanup(s.Close)
	r.url = s.URL
	return r
}

// token checks the assertion as SMART tells a server to.
func (r *recordServer) token(w http.ResponseWriter, req *http.Request) {
	r.mu.Lock()
	late := r.late
	r.mu.Unlock()
	time.Sleep(late)
	r.mu.Lock()
	defer r.mu.Unlock()
	w.Header().Set("Content-Type", "application/json")
	fail := func(status int, code string) {
		w.WriteHeader(status)
		fmt.Fprintf(w, `{"error":%q}`, code)
	}
	if r.status != 0 {
		fail(r.status, "invalid_client")
		return
	}
	if err := r.assertion(req); err != nil {
		r.t.Errorf("assertion: %v", err)
		fail(http.StatusUnauthorized, "invalid_client")
		return
	}
	scope := req.PostFormValue("scope")
	r.asked = append(r.asked, scope)
	if r.oldOnly && !strings.Contains(scope, ".read") {
		fail(http.StatusBadRequest, "invalid_scope")
		return
	}
	r.tokens++
	r.good = fmt.Sprint("token-", r.tokens)
	answer := map[string]any{"access_token": r.good, "token_type": "BEARER", "expires_in": r.lasts}
	if r.lasts == 0 {
		delete(answer, "expires_in")
	}
	if r.scope != "" {
		answer["scope"] = r.scope
	}
	_ = json.NewEncoder(w).Encode(answer)
}

func (r *recordServer) assertion(req *http.Request) error {
	if req.PostFormValue("grant_type") != "client_credentials" || req.PostFormValue("client_assertion_type") != assertionType || req.PostForm.Has("client_secret") ||
		req.Header.Get("Authorization") != "" {
		return fmt.Errorf("the form is %v", req.PostForm)
	}
	raw := []byte(req.PostFormValue("client_assertion"))
	set, err := jwk.Parse(r.keys)
	if err != nil {
		return err
	}
	token, err := jwt.Parse(raw, jwt.WithKeySet(set), jwt.WithIssuer("our-id"), jwt.WithSubject("our-id"), jwt.WithAudience(r.url+"/auth/token"))
	if err != nil {
		return err
	}
	message, err := jws.Parse(raw)
	if err != nil {
		return err
	}
	header := message.Signatures()[0].ProtectedHeaders()
	alg, _ := header.Algorithm()
	typ, _ := header.Type()
	exp, _ := token.Expiration()
	id, _ := token.JwtID()
	_, nbf := token.NotBefore()
	switch {
	case alg != jwa.ES384() && alg != jwa.RS384():
		return fmt.Errorf("alg %s", alg)
	case typ != "JWT" || nbf:
		return fmt.Errorf("typ %q, nbf %v", typ, nbf)
	case time.Until(exp) > 5*time.Minute:
		return errors.New("good for more than five minutes")
	case id == "" || r.seen[id]:
		return errors.New("an id that is missing or was seen before")
	}
	r.seen[id] = true
	return nil
}

// tokensOf gives the source of tokens for a record.
func tokensOf(t *testing.T, r *recordServer, k Key, change ...func(*TokenConfig)) *Tokens {
	t.Helper()
	c := TokenConfig{Base: r.url + "/fhir", ClientID: "our-id", Key: k, Scopes: []string{"system/Patient.rs", "system/Task.crus"}, Timeout: 5 * time.Second}
	for _, f := range change {
		f(&c)
	}
	tokens, err := NewTokens(c)
	if err != nil {
		t.Fatal(err)
	}
	return tokens
}

func TestTokensByBothAlgorithms(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"rsa", "P-384"} {
		k := newKey(t, kind)
		r := newRecord(t, k, newKey(t, "P-384"))
		tokens := tokensOf(t, r, k)
		c, err := New(Config{BaseURL: r.url + "/fhir", Tokens: tokens, Timeout: 5 * time.Second})
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			if _, _, err := c.Read(t.Context(), "Task", "a"); err != nil {
				t.Errorf("%s: %v", kind, err)
			}
		}
		if r.tokens != 1 || r.reads != 3 {
			t.Errorf("%s: %d tokens for %d reads", kind, r.tokens, r.reads)
		}
	}
}

func TestATokenIsRenewedInTime(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	for name, tc := range map[string]struct {
		lasts int
		steps []time.Duration
		want  int
	}{
		"five minutes":        {300, []time.Duration{0, 4 * time.Minute, 29 * time.Second, 2 * time.Second}, 2},
		"a short one":         {20, []time.Duration{0, 15 * time.Second, 5 * time.Second}, 2},
		"one without a time":  {0, []time.Duration{0, 4 * time.Minute, 40 * time.Second}, 2},
		"asked again at once": {300, []time.Duration{0, 0, 0}, 1},
	} {
		r := newRecord(t, k)
		r.lasts = tc.lasts
		now := time.Now()
		tokens := tokensOf(t, r, k, func(c *TokenConfig) { c.Now = func() time.Time { return now } })
		for _, step := range tc.steps {
			// The assertions are checked by the machine's clock, so the token is aged instead of the clock turned.
			tokens.mu.Lock()
			tokens.until = tokens.until.Add(-step)
			tokens.mu.Unlock()
			if _, err := tokens.Token(t.Context()); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		if r.tokens != tc.want {
			t.Errorf("%s: %d tokens, want %d", name, r.tokens, tc.want)
		}
	}
}

func TestA401BringsOneNewToken(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	r := newRecord(t, k)
	tokens := tokensOf(t, r, k)
	c, err := New(Config{BaseURL: r.url + "/fhir", Tokens: tokens, Timeout: 5 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := c.Read(t.Context(), "Task", "a"); err != nil {
		t.Fatal(err)
	}
	r.mu.Lock()
	r.good = "revoked"
	r.mu.Unlock()
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			if _, _, err := c.Read(t.Context(), "Task", "a"); err != nil {
				t.Errorf("after the token was revoked: %v", err)
			}
		})
	}
	all.Wait()
	if r.tokens != 2 {
		t.Errorf("%d tokens were fetched, want 2", r.tokens)
	}
}

func TestCallersShareOneRequestForAToken(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	r := newRecord(t, k)
	r.late = 50 * time.Millisecond
	tokens := tokensOf(t, r, k)
	given, stop := context.WithCancel(t.Context())
	stop()
	var all sync.WaitGroup
	for n := range 20 {
		all.Go(func() {
			if n == 0 {
				if _, err := tokens.Token(given); !errors.Is(err, context.Canceled) {
					t.Errorf("a caller that is gone: %v", err)
				}
				return
			}
			if _, err := tokens.Token(t.Context()); err != nil {
				t.Errorf("%v", err)
			}
		})
	}
	all.Wait()
	if r.tokens != 1 {
		t.Errorf("%d requests for a token", r.tokens)
	}
}

func TestScopesOfVersionOne(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	r := newRecord(t, k)
	r.oldOnly = true
	tokens := tokensOf(t, r, k)
	for range 2 {
		if _, err := tokens.Token(t.Context()); err != nil {
			t.Fatal(err)
		}
		tokens.mu.Lock()
		tokens.until = time.Time{}
		tokens.mu.Unlock()
	}
	want := []string{"system/Patient.rs system/Task.crus", "system/Patient.read system/Task.read system/Task.write", "system/Patient.read system/Task.read system/Task.write"}
	if diff := cmp.Diff(want, r.asked); diff != "" {
		t.Errorf("scopes asked for (-want +got):\n%s", diff)
	}
}

func TestWhatIsNotGrantedIsTold(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	for granted, want := range map[string][]string{
		"":                                         nil,
		"system/Patient.rs system/Task.crus":       nil,
		"system/*.cruds":                           nil,
		"system/*.read system/Task.write":          nil,
		"system/Patient.r system/Task.crus":        {"system/Patient.rs"},
		"system/Patient.rs":                        {"system/Task.crus"},
		"system/Patient.rs system/Task.rs openid":  {"system/Task.crus"},
		"system/Patient.r system/Patient.s user/a": {"system/Task.crus"},
	} {
		r := newRecord(t, k)
		r.scope = granted
		var missing []string
		tokens := tokensOf(t, r, k, func(c *TokenConfig) { c.Note = func(m []string, err error) { missing = m } })
		if _, err := tokens.Token(t.Context()); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, missing); diff != "" {
			t.Errorf("granted %q (-want +got):\n%s", granted, diff)
		}
	}
}

// TestARefusedClientIsARefusedToken: where the record gives no token, requests fail as if it had answered 401; where its authorization server
// is away, they may be tried again.
func TestARefusedClientIsARefusedToken(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	for status, retry := range map[int]bool{400: false, 401: false, 403: false, 404: false, 429: true, 500: true, 503: true} {
		r := newRecord(t, k)
		r.status = status
		var told error
		tokens := tokensOf(t, r, k, func(c *TokenConfig) { c.Note = func(_ []string, err error) { told = err } })
		c, err := New(Config{BaseURL: r.url + "/fhir", Tokens: tokens, Timeout: 5 * time.Second})
		if err != nil {
			t.Fatal(err)
		}
		_, _, err = c.Read(t.Context(), "Task", "a")
		var refused *Refused
		if !errors.As(err, &refused) || refused.Retryable != retry || !retry && refused.Status != 401 || r.reads != 0 {
			t.Errorf("%d: %v, read %d times", status, err, r.reads)
		}
		if errors.Is(told, fault.Unavailable) != retry || strings.Contains(fmt.Sprint(told, err), r.url) {
			t.Errorf("%d: told %v", status, told)
		}
		_, err = c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), "")
		if errors.Is(err, ErrUnknownOutcome) {
			t.Errorf("%d: a write that was not sent has an outcome: %v", status, err)
		}
	}
}

func TestTheTokenEndpointIsTheRecordsOwn(t *testing.T) {
	t.Parallel()
	k := newKey(t, "P-384")
	for endpoint, good := range map[string]bool{
		"../auth/token": true, "/auth/token": true, "http://elsewhere.example/token": false, "": false, "ftp://x/token": false,
	} {
		r := newRecord(t, k)
		r.endpoint = endpoint
		if _, err := tokensOf(t, r, k).Token(t.Context()); (err == nil) != good {
			t.Errorf("%q: %v", endpoint, err)
		}
	}
	r := newRecord(t, k)
	r.endpoint = ""
	if _, err := tokensOf(t, r, k, func(c *TokenConfig) { c.Endpoint = r.url + "/auth/token" }).Token(t.Context()); err != nil {
		t.Errorf("a configured endpoint: %v", err)
	}
}

func TestKeys(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"rsa", "P-384"} {
		for _, own := range []bool{false, true} {
			text := pemKey(t, kind, own)
			k, err := ReadKey(text)
			if err != nil {
				t.Errorf("%s, own form %v: %v", kind, own, err)
				continue
			}
			again, err := ReadKey(text)
			if err != nil || again.kid != k.kid || k.kid == "" {
				t.Errorf("%s: kid %q, then %q", kind, k.kid, again.kid)
			}
			if err := k.private.Set(jwk.KeyIDKey, "named"); err != nil {
				t.Fatal(err)
			}
			asJWK, err := json.Marshal(k.private)
			if err != nil {
				t.Fatal(err)
			}
			if named, err := ReadKey(asJWK); err != nil || named.kid != "named" || named.alg != k.alg {
				t.Errorf("%s as a JWK: %q %v", kind, named.kid, err)
			}
			if _, err := PublicSet(k, again); !errors.Is(err, fault.Invalid) {
				t.Errorf("%s: two keys of one kid: %v", kind, err)
			}
			var keys struct{ Keys []map[string]any }
			if set, err := PublicSet(k, Key{}, newKey(t, "P-384")); err != nil || json.Unmarshal(set, &keys) != nil || len(keys.Keys) != 2 {
				t.Errorf("%s: %s %v", kind, set, err)
			}
			for _, key := range keys.Keys {
				for _, secret := range []string{"d", "p", "q", "dp", "dq", "qi", "k"} {
					if _, there := key[secret]; there {
						t.Errorf("%s: the public set holds %s", kind, secret)
					}
				}
				if key["kid"] == "" || key["use"] != "sig" || !slices.Contains([]any{"RS384", "ES384"}, key["alg"]) {
					t.Errorf("%s: %v", kind, key)
				}
			}
		}
	}
	whole, err := json.Marshal(newKey(t, "P-384").private)
	if err != nil {
		t.Fatal(err)
	}
	var public map[string]any
	if err := json.Unmarshal(whole, &public); err != nil {
		t.Fatal(err)
	}
	delete(public, "d")
	withoutSecret, err := json.Marshal(public)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{"another curve": pemKey(t, "P-256", false), "words": []byte("secret words"), "nothing": nil,
		"a public key": withoutSecret, "a symmetric key": []byte(`{"kty":"oct","k":"c2VjcmV0"}`)} {
		if _, err := ReadKey(text); !errors.Is(err, fault.Invalid) || strings.Contains(err.Error(), "secret words") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestPublishedTokens: the signatures of the examples that SMART App Launch publishes, which have expired, verify with the keys beside them;
// an assertion of ours has the members that theirs have.
func TestPublishedTokens(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/smart-backend-jwt.json")
	if err != nil {
		t.Fatal(err)
	}
	var vectors map[string]json.RawMessage
	if err := json.Unmarshal(text, &vectors); err != nil {
		t.Fatal(err)
	}
	ours := map[string]Key{"RS384": newKey(t, "rsa"), "ES384": newKey(t, "P-384")}
	for alg, key := range ours {
		var vector struct {
			JWK    json.RawMessage
			Tokens []string
		}
		if err := json.Unmarshal(vectors[alg], &vector); err != nil || len(vector.Tokens) == 0 {
			t.Fatalf("%s: %v", alg, err)
		}
		set, err := jwk.Parse(vector.JWK)
		if err != nil {
			t.Fatal(err)
		}
		made, err := key.assertion("https://bili-monitor.example.com", "https://authorize.smarthealthit.org/token", "random-non-reusable-jwt-id-123", "", time.Now())
		if err != nil {
			t.Fatal(err)
		}
		mine, err := jwt.ParseInsecure([]byte(made))
		if err != nil {
			t.Fatal(err)
		}
		for _, token := range vector.Tokens {
			theirs, err := jwt.Parse([]byte(token), jwt.WithKeySet(set), jwt.WithValidate(false))
			if err != nil {
				t.Errorf("%s: the published token: %v", alg, err)
				continue
			}
			for _, name := range []string{"iss", "sub", "aud", "jti"} {
				var want, got any
				if theirs.Get(name, &want) != nil || mine.Get(name, &got) != nil || !cmp.Equal(want, got) {
					t.Errorf("%s: %s is %v in theirs, %v in ours", alg, name, want, got)
				}
			}
		}
		if !strings.Contains(string(mustDecode(t, made)), `"aud":"https://authorize.smarthealthit.org/token"`) {
			t.Errorf("%s: aud is not one string", alg)
		}
	}
}

// mustDecode gives the claims of a token as they were sent.
func mustDecode(t *testing.T, token string) []byte {
	t.Helper()
	message, err := jws.Parse([]byte(token))
	if err != nil {
		t.Fatal(err)
	}
	return message.Payload()
}
