package auth

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/internal/fault"

	"github.com/lestrrat-go/jwx/v3/jwa"
)

const us = "https://dwellwatch.example/fhir"

func accessClaims(i *issuer, c *clock) map[string]any {
	now := c.now()
	return map[string]any{"iss": i.url, "aud": us, "iat": now, "exp": now.Add(5 * time.Minute), "client_id": "lab-client", "scope": "system/Procedure.cud"}
}

func machines(i *issuer, c *clock, change ...func(*MachineConfig)) *Machines {
	m := MachineConfig{Issuers: []Issuer{{URL: i.url, JWKS: i.url + "/jwks"}}, Audiences: []string{us}, Now: c.now, HTTP: i.http}
	for _, f := range change {
		f(&m)
	}
	return NewMachines(m)
}

func TestAccessTokens(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	good := accessClaims(i, c)
	stranger := newIssuer(t)
	weak, err := rsa.GenerateKey(rand.Reader, 1024)
	if err != nil {
		t.Fatal(err)
	}
	i.more = `{"kty":"RSA","kid":"weak","e":"AQAB","n":"` + base64.RawURLEncoding.EncodeToString(weak.N.Bytes()) + `"}`
	public := x509.MarshalPKCS1PublicKey(&i.keys["rsa"].(*rsa.PrivateKey).PublicKey)
	asPEM := pem.EncodeToMemory(&pem.Block{Type: "RSA PUBLIC KEY", Bytes: public})
	m := machines(i, c)
	part := func(v any) string {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return base64.RawURLEncoding.EncodeToString(b)
	}
	plain := map[string]any{"iss": i.url, "aud": us, "exp": c.now().Add(time.Minute).Unix(), "scope": "system/*.cud"}
	signed := i.sign("ec", good)
	weakly := part(map[string]string{"alg": "RS256", "kid": "weak"}) + "." + part(plain)
	sum := sha256.Sum256([]byte(weakly))
	bySum, err := rsa.SignPKCS1v15(rand.Reader, weak, crypto.SHA256, sum[:])
	if err != nil {
		t.Fatal(err)
	}
	weakly += "." + base64.RawURLEncoding.EncodeToString(bySum)
	head, body, _ := strings.Cut(signed, ".")
	_, signature, _ := strings.Cut(body, ".")
	for name, tc := range map[string]struct {
		token string
		want  error
	}{
		"ES384":                        {signed, nil},
		"RS384":                        {i.sign("rsa", good), nil},
		"audience is a list":           {i.sign("ec", with(good, map[string]any{"aud": []string{"other", us}})), nil},
		"a clock 59 s behind":          {i.sign("ec", with(good, map[string]any{"exp": c.now().Add(-59 * time.Second)})), nil},
		"a clock 59 s ahead":           {i.sign("ec", with(good, map[string]any{"iat": c.now().Add(59 * time.Second), "nbf": c.now().Add(59 * time.Second)})), nil},
		"expired":                      {i.sign("ec", with(good, map[string]any{"exp": c.now().Add(-time.Minute)})), ErrExpired},
		"expired and forged":           {signWith(t, jwa.ES384(), ecKey(t), "ec", with(good, map[string]any{"exp": c.now().Add(-time.Hour)})), ErrToken},
		"without exp":                  {i.sign("ec", with(good, map[string]any{"exp": nil})), ErrToken},
		"issued in the future":         {i.sign("ec", with(good, map[string]any{"iat": c.now().Add(2 * time.Minute)})), ErrToken},
		"not good before":              {i.sign("ec", with(good, map[string]any{"nbf": c.now().Add(2 * time.Minute)})), ErrToken},
		"another audience":             {i.sign("ec", with(good, map[string]any{"aud": us + "/"})), ErrToken},
		"without audience":             {i.sign("ec", with(good, map[string]any{"aud": nil})), ErrToken},
		"another issuer":               {i.sign("ec", with(good, map[string]any{"iss": i.url + "/"})), ErrToken},
		"a stranger's issuer":          {stranger.sign("ec", accessClaims(stranger, c)), ErrToken},
		"a stranger's key":             {signWith(t, jwa.ES384(), ecKey(t), "ec", good), ErrToken},
		"a short RSA key":              {weakly, ErrToken},
		"HS256 with the public key":    {signWith(t, jwa.HS256(), asPEM, "rsa", good), ErrToken},
		"HS384 with the public key":    {signWith(t, jwa.HS384(), public, "rsa", good), ErrToken},
		"PS384":                        {signWith(t, jwa.PS384(), i.keys["rsa"], "rsa", good), ErrToken},
		"none":                         {part(map[string]string{"alg": "none"}) + "." + part(plain) + ".", ErrToken},
		"none in capitals":             {part(map[string]string{"alg": "NONE"}) + "." + part(plain) + ".", ErrToken},
		"other claims under it":        {head + "." + part(plain) + "." + signature, ErrToken},
		"another header over it":       {part(map[string]string{"alg": "RS384", "kid": "rsa"}) + "." + body, ErrToken},
		"a kind of key for another":    {part(map[string]string{"alg": "RS384", "kid": "ec"}) + "." + body, ErrToken},
		"an extension nobody knows":    {signWith(t, jwa.ES384(), i.keys["ec"], "ec", good, "x", "y"), nil},
		"a critical one":               {part(map[string]any{"alg": "ES384", "kid": "ec", "crit": []string{"x"}, "x": 1}) + "." + body, ErrToken},
		"two tokens":                   {signed + "." + signed, ErrToken},
		"no token":                     {"", ErrNoToken},
		"words":                        {"xyz", ErrToken},
		"too long":                     {strings.Repeat("a", maxToken) + ".b.c", ErrToken},
		"an embedded key is not taken": {part(map[string]any{"alg": "ES384", "jwk": map[string]string{"kty": "EC"}, "kid": "nobody"}) + "." + body, ErrToken},
	} {
		g, err := m.Check(t.Context(), "Bearer "+tc.token)
		if !errors.Is(err, tc.want) || (tc.want == nil) != (err == nil) {
			t.Errorf("%s: %v, want %v", name, err, tc.want)
		}
		if (err == nil) != g.MayUse("", "") {
			t.Errorf("%s: the grant opens something: %v", name, g.MayUse("", ""))
		}
	}
	if stranger.hits.Load() != 0 {
		t.Error("a stranger's keys were read")
	}
	if g, err := m.Check(t.Context(), "Basic "+signed); !errors.Is(err, ErrNoToken) || g.MayUse("", "") {
		t.Errorf("another scheme: %v", err)
	}
}

// TestAFloodOfUnknownKeys: however many unknown key ids come, the issuer is asked once a minute.
func TestAFloodOfUnknownKeys(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	m := machines(i, c)
	stranger := ecKey(t)
	tokens := make([]string, 50)
	for n := range tokens {
		tokens[n] = signWith(t, jwa.ES384(), stranger, fmt.Sprint("kid-", n), accessClaims(i, c))
	}
	good := i.sign("ec", accessClaims(i, c))
	for minute := range 3 {
		var all sync.WaitGroup
		for _, token := range tokens {
			all.Go(func() {
				if _, err := m.Check(t.Context(), "Bearer "+token); !errors.Is(err, ErrToken) {
					t.Errorf("an unknown key: %v", err)
				}
				if _, err := m.Check(t.Context(), "Bearer "+good); err != nil {
					t.Errorf("a known key in the flood: %v", err)
				}
			})
		}
		all.Wait()
		if got := i.hits.Load(); got != int64(minute+1) {
			t.Errorf("after %d unknown keys in minute %d the issuer was asked %d times", len(tokens), minute, got)
		}
		c.turn(keysPause)
	}
}

func TestKeysAreRotated(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	m := machines(i, c)
	check := func(token string, want error) {
		t.Helper()
		if _, err := m.Check(t.Context(), "Bearer "+token); !errors.Is(err, want) || (want == nil) != (err == nil) {
			t.Errorf("got %v, want %v", err, want)
		}
	}
	old := i.sign("ec", with(accessClaims(i, c), map[string]any{"exp": c.now().Add(time.Hour)}))
	check(old, nil)
	i.rotate("next")
	c.turn(2 * time.Minute)
	check(old, nil) // what is known is used for a while
	check(i.sign("next", accessClaims(i, c)), nil)
	check(old, ErrToken) // and a key that is gone is not used any more
	i.breakDown(true)
	c.turn(keysAge + time.Minute)
	check(i.sign("next", accessClaims(i, c)), nil) // an issuer that is away changes nothing
	check(signWith(t, jwa.ES384(), ecKey(t), "third", accessClaims(i, c)), fault.Unavailable)
}

func TestAnIssuerThatIsAwayIsUnavailable(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	i.breakDown(true)
	m := machines(i, c)
	token := i.sign("ec", accessClaims(i, c))
	if _, err := m.Check(t.Context(), "Bearer "+token); !errors.Is(err, fault.Unavailable) || strings.Contains(err.Error(), i.url) {
		t.Errorf("%v", err)
	}
	var keys *KeysError
	if _, err := m.Check(t.Context(), "Bearer "+token); !errors.As(err, &keys) || *keys != (KeysError{Issuer: i.url, Setting: "issuers", Cause: "answered 502"}) {
		t.Errorf("for the log: %+v", keys)
	}
	i.breakDown(false)
	c.turn(keysPause)
	if _, err := m.Check(t.Context(), "Bearer "+token); err != nil {
		t.Errorf("back again: %v", err)
	}
}

// TestOneKeyMustFit: where two keys of a set could have signed a token, none has.
func TestOneKeyMustFit(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	i.keys["twin"] = ecKey(t)
	m := machines(i, c)
	claims := accessClaims(i, c)
	for name, token := range map[string]string{"named": i.sign("ec", claims), "the only one of its kind": signWith(t, jwa.RS384(), i.keys["rsa"], "", claims)} {
		if _, err := m.Check(t.Context(), "Bearer "+token); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := m.Check(t.Context(), "Bearer "+signWith(t, jwa.ES384(), i.keys["ec"], "", claims)); !errors.Is(err, ErrToken) {
		t.Errorf("one of two without a name: %v", err)
	}
}

// TestKeysAreNotReadElsewhere: an address that leads on to another, which nobody configured, is not followed.
func TestKeysAreNotReadElsewhere(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	moved := httptest.NewServer(http.RedirectHandler(i.url+"/jwks", http.StatusFound))
	t.Cleanup(moved.Close)
	m := machines(i, c, func(m *MachineConfig) { m.Issuers[0].JWKS = moved.URL })
	var keys *KeysError
	if _, err := m.Check(t.Context(), "Bearer "+i.sign("ec", accessClaims(i, c))); !errors.As(err, &keys) || keys.Cause != "answered 302" || i.hits.Load() != 0 {
		t.Errorf("%v, %d readings", err, i.hits.Load())
	}
}

func TestDiscovery(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	m := machines(i, c, func(m *MachineConfig) { m.Issuers[0].JWKS = "" })
	if _, err := m.Check(t.Context(), "Bearer "+i.sign("ec", accessClaims(i, c))); err != nil {
		t.Errorf("%v", err)
	}
	mixed := newIssuer(t)
	mixed.names = "https://another.example"
	m = machines(mixed, c, func(m *MachineConfig) { m.Issuers[0].JWKS = "" })
	if _, err := m.Check(t.Context(), "Bearer "+mixed.sign("ec", accessClaims(mixed, c))); !errors.Is(err, fault.Unavailable) || mixed.hits.Load() != 0 {
		t.Errorf("a document of another issuer: %v, %d reads of keys", err, mixed.hits.Load())
	}
}

func TestGrants(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	m := machines(i, c, func(m *MachineConfig) {
		m.Secret, m.Feeds = "all", map[string]string{"ward": "w"}
		m.Pins = map[string][]Pin{"lab": {{Issuer: i.url, Client: "lab-client"}}, "pacs": {{Issuer: i.url, Client: "pacs-client"}}, "any": {{Issuer: i.url}}}
	})
	token := func(changes map[string]any) Grant {
		t.Helper()
		g, err := m.Check(t.Context(), "Bearer "+i.sign("ec", with(accessClaims(i, c), changes)))
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	g := token(map[string]any{"scope": "system/Procedure.cu system/*.d " + ScopeAssess})
	for _, tc := range []struct {
		what string
		got  bool
		want bool
	}{
		{"its feed", g.MayUse(ScopeDeliver, "lab"), true},
		{"another's feed", g.MayUse(ScopeDeliver, "pacs"), false},
		{"a feed for every client", g.MayUse(ScopeDeliver, "any"), true},
		{"a feed without pins", g.MayUse(ScopeDeliver, "default"), true},
		{"its scope", g.MayUse(ScopeAssess, ""), true},
		{"another scope", g.MayUse(ScopeMetrics, ""), false},
		{"its type", g.MayDeliver("Procedure", "c"), true},
		{"another letter", g.MayDeliver("Device", "c"), false},
		{"every type", g.MayDeliver("Device", "d"), true},
		{"any type", g.MayDeliver("", "c"), true},
		{"azp names a client", token(map[string]any{"client_id": nil, "azp": "pacs-client"}).MayUse(ScopeDeliver, "pacs"), true},
		{"sub names a client", token(map[string]any{"client_id": nil, "sub": "pacs-client"}).MayUse(ScopeDeliver, "pacs"), true},
		{"scp is a list", token(map[string]any{"scope": nil, "scp": []string{"system/Device.c"}}).MayDeliver("Device", "c"), true},
		{"no scope", token(map[string]any{"scope": nil}).MayDeliver("", "cud"), false},
		{"the zero grant", Grant{}.MayUse("", "") || Grant{}.MayDeliver("", "cud"), false},
	} {
		if tc.got != tc.want {
			t.Errorf("%s: %v", tc.what, tc.got)
		}
	}
	if w := g.By(); w != " by client lab-client of "+i.url {
		t.Errorf("by %q", w)
	}
	for secret, want := range map[string][4]bool{"all": {true, true, true, true}, "w": {false, true, false, true}} {
		g, err := m.Check(t.Context(), "bearer "+secret)
		if got := [4]bool{g.MayUse(ScopeMetrics, ""), g.MayUse(ScopeDeliver, "ward"), g.MayUse(ScopeDeliver, "lab"), g.MayDeliver("Procedure", "d")}; err != nil || got != want || g.By() != "" {
			t.Errorf("secret %s: %v %v", secret, got, err)
		}
	}
}

func TestScopes(t *testing.T) {
	t.Parallel()
	for scope, want := range map[string]string{
		"system/Procedure.cud": "cud", "system/Procedure.c": "c", "system/*.cruds": "cruds", "system/*.write": "cud", "system/*.*": "cruds",
		"system/Procedure.read": "rs", "system/Procedure.rs": "rs", "system/Procedure.dc": "", "system/Procedure.cc": "", "system/Procedure.": "",
		"system/Procedure": "", "system/.c": "", "user/Procedure.cud": "", "patient/*.write": "", "system/Procedure.cud?patient=1": "", "system/Procedure.all": "", "": "",
	} {
		if _, got, _ := smart(scope); got != want {
			t.Errorf("%q: %q, want %q", scope, got, want)
		}
	}
}

func TestCheckAddress(t *testing.T) {
	t.Parallel()
	for address, want := range map[string]bool{
		"https://login.example/jwks": true, "http://127.0.0.1:8080/jwks": true, "http://localhost/": true,
		"http://login.example/jwks": false, "https://u:p@login.example/": false, "ftp://login.example/": false, "login.example": false, "": false, "https://": false,
	} {
		err := CheckAddress(address)
		if (err == nil) != want || err != nil && address != "" && strings.Contains(err.Error(), address) {
			t.Errorf("%s: %v", address, err)
		}
	}
}
