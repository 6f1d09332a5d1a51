package auth

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jwk"
	"github.com/lestrrat-go/jwx/v3/jws"
	"github.com/lestrrat-go/jwx/v3/jwt"
)

// issuer is a party with keys, and the server from which they are read.
type issuer struct {
	t    *testing.T
	url  string
	hits atomic.Int64 // of the key set
	http *http.Client

	mu     sync.Mutex
	keys   map[string]any // private, by kid
	more   string         // a further JWK
	broken bool
	names  string // the issuer that its discovery document names; "" for url
}

// newIssuer serves the key set at /jwks and the discovery document.
func newIssuer(t *testing.T) *issuer {
	t.Helper()
	i := &issuer{t: t, keys: map[string]any{"ec": ecKey(t), "rsa": rsaKey(t)}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /jwks", func(w http.ResponseWriter, _ *http.Request) {
		i.hits.Add(1)
		i.mu.Lock()
		defer i.mu.Unlock()
		if i.broken {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		_, _ = w.Write(i.set())
	})
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		i.mu.Lock()
		defer i.mu.Unlock()
		name := i.url
		if i.names != "" {
			name = i.names
		}
		_ = json.NewEncoder(w).Encode(map[string]string{"issuer": name, "jwks_uri": i.url + "/jwks"})
	})
	s := httptest.NewServer(mux)
	t.Cleanup(s.Close)
	i.url, i.http = s.URL, s.Client()
	return i
}

// set gives the public keys without alg, as many servers do.
func (i *issuer) set() []byte {
	set := jwk.NewSet()
	for kid, private := range i.keys {
		key, err := jwk.Import(private)
		if err != nil {
			i.t.Error(err)
			continue
		}
		public, err := key.PublicKey()
		if err != nil || public.Set(jwk.KeyIDKey, kid) != nil || set.AddKey(public) != nil {
			i.t.Error("key", err)
		}
	}
	body, err := json.Marshal(set)
	if err != nil {
		i.t.Error(err)
	}
	if i.more == "" {
		return body
	}
	return []byte(strings.Replace(string(body), `"keys":[`, `"keys":[`+i.more+",", 1))
}

// rotate replaces the keys by a new one.
func (i *issuer) rotate(kid string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.keys = map[string]any{kid: ecKey(i.t)}
}

func (i *issuer) breakDown(broken bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.broken = broken
}

// sign makes a token of claims with the key named kid.
func (i *issuer) sign(kid string, claims map[string]any, header ...string) string {
	i.t.Helper()
	i.mu.Lock()
	key := i.keys[kid]
	i.mu.Unlock()
	alg := jwa.ES384()
	if _, ok := key.(*rsa.PrivateKey); ok {
		alg = jwa.RS384()
	}
	return signWith(i.t, alg, key, kid, claims, header...)
}

// signWith signs claims; header are names and values that stand beside kid and typ.
func signWith(t *testing.T, alg jwa.SignatureAlgorithm, key any, kid string, claims map[string]any, header ...string) string {
	t.Helper()
	token := jwt.New()
	for name, value := range claims {
		if err := token.Set(name, value); err != nil {
			t.Fatal(name, err)
		}
	}
	h := jws.NewHeaders()
	pairs := append([]string{"kid", kid, "typ", "JWT"}, header...)
	for n := 0; n < len(pairs); n += 2 {
		if err := h.Set(pairs[n], pairs[n+1]); err != nil {
			t.Fatal(pairs[n], err)
		}
	}
	signed, err := jwt.Sign(token, jwt.WithKey(alg, key, jws.WithProtectedHeaders(h)))
	if err != nil {
		t.Fatal(err)
	}
	return string(signed)
}

func ecKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func rsaKey(t *testing.T) *rsa.PrivateKey {
	t.Helper()
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// clock is a clock that a test turns.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func newClock() *clock { return &clock{t: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *clock) turn(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

// with gives claims with changes; a nil value takes a claim out.
func with(claims map[string]any, changes map[string]any) map[string]any {
	out := map[string]any{}
	for _, m := range []map[string]any{claims, changes} {
		for name, value := range m {
			out[name] = value
			if value == nil {
				delete(out, name)
			}
		}
	}
	return out
}
