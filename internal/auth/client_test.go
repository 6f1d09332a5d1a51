package auth

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jwk"
)

const base = "https://dwellwatch.example"

// used remembers tokens as the database does.
type used struct {
	mu    sync.Mutex
	seen  map[string]time.Time
	bad   error
	calls int
}

func (u *used) first(_ context.Context, issuer, id string, until time.Time) (bool, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.calls++
	if _, again := u.seen[issuer+"|"+id]; again || u.bad != nil {
		return false, u.bad
	}
	u.seen[issuer+"|"+id] = until
	return true, nil
}

func newClients(i *issuer, c *clock, u *used, change ...func(*ClientConfig)) *Clients {
	config := ClientConfig{Parties: []Party{{Issuer: i.url, Addresses: []string{i.url + "/jwks"}}}, Bases: []string{base}, First: u.first, Now: c.now, HTTP: i.http}
	for _, f := range change {
		f(&config)
	}
	return NewClients(config)
}

func clientClaims(i *issuer, c *clock, id string) map[string]any {
	return map[string]any{"iss": i.url, "aud": base + "/cds-services", "iat": c.now(), "exp": c.now().Add(5 * time.Minute), "jti": id}
}

func TestCDSClients(t *testing.T) {
	t.Parallel()
	i, other, c := newIssuer(t), newIssuer(t), newClock()
	u := &used{seen: map[string]time.Time{}}
	clients := newClients(i, c, u)
	good := clientClaims(i, c, "id")
	service := base + "/cds-services/filter"
	for name, tc := range map[string]struct {
		path    string
		changes map[string]any
		header  []string
		want    error
	}{
		"discovery":                        {path: "/cds-services"},
		"audience is a list":               {path: "/cds-services", changes: map[string]any{"aud": []string{"x", base + "/cds-services"}}},
		"the listed jku":                   {path: "/cds-services", header: []string{"jku", i.url + "/jwks"}},
		"a service":                        {path: "/cds-services/filter", changes: map[string]any{"aud": service}},
		"feedback by its own URL":          {path: "/cds-services/filter/feedback", changes: map[string]any{"aud": service + "/feedback"}},
		"feedback by the service's":        {path: "/cds-services/filter/feedback", changes: map[string]any{"aud": service}},
		"a service by discovery's":         {path: "/cds-services/filter", want: ErrToken},
		"discovery by a service's":         {path: "/cds-services", changes: map[string]any{"aud": service}, want: ErrToken},
		"a service by feedback's":          {path: "/cds-services/filter", changes: map[string]any{"aud": service + "/feedback"}, want: ErrToken},
		"the base alone":                   {path: "/cds-services", changes: map[string]any{"aud": base}, want: ErrToken},
		"a slash too many":                 {path: "/cds-services", changes: map[string]any{"aud": base + "/cds-services/"}, want: ErrToken},
		"another host":                     {path: "/cds-services", changes: map[string]any{"aud": "https://elsewhere.example/cds-services"}, want: ErrToken},
		"without audience":                 {path: "/cds-services", changes: map[string]any{"aud": nil}, want: ErrToken},
		"another issuer":                   {path: "/cds-services", changes: map[string]any{"iss": other.url}, want: ErrToken},
		"a jku that is not listed":         {path: "/cds-services", header: []string{"jku", other.url + "/jwks"}, want: ErrToken},
		"a jku below the listed one":       {path: "/cds-services", header: []string{"jku", i.url + "/jwks/../jwks"}, want: ErrToken},
		"expired":                          {path: "/cds-services", changes: map[string]any{"exp": c.now().Add(-time.Minute)}, want: ErrExpired},
		"within the skew":                  {path: "/cds-services", changes: map[string]any{"exp": c.now().Add(-59 * time.Second)}},
		"good for too long":                {path: "/cds-services", changes: map[string]any{"exp": c.now().Add(maxLifetime + 2*time.Minute)}, want: ErrToken},
		"issued in the future":             {path: "/cds-services", changes: map[string]any{"iat": c.now().Add(2 * time.Minute)}, want: ErrToken},
		"without iat":                      {path: "/cds-services", changes: map[string]any{"iat": nil}, want: ErrToken},
		"without jti":                      {path: "/cds-services", changes: map[string]any{"jti": nil}, want: ErrToken},
		"with an endless jti":              {path: "/cds-services", changes: map[string]any{"jti": strings.Repeat("x", maxID+1)}, want: ErrToken},
		"without exp":                      {path: "/cds-services", changes: map[string]any{"exp": nil}, want: ErrToken},
		"an algorithm that is not its key": {path: "/cds-services", header: []string{"kid", "rsa"}, want: ErrToken},
	} {
		claims := with(with(good, map[string]any{"jti": name}), tc.changes)
		_, err := clients.Check(t.Context(), tc.path, "Bearer "+i.sign("ec", claims, tc.header...))
		if !errors.Is(err, tc.want) || (tc.want == nil) != (err == nil) {
			t.Errorf("%s: %v, want %v", name, err, tc.want)
		}
	}
	if n := other.hits.Load(); n != 0 {
		t.Errorf("an address that is not on the list was read %d times", n)
	}
	if n := i.hits.Load(); n != 1 {
		t.Errorf("the keys were read %d times", n)
	}
	asPublic, err := json.Marshal(i.set())
	if err != nil {
		t.Fatal(err)
	}
	calls := u.calls
	for name, token := range map[string]string{"HS384": signWith(t, jwa.HS384(), asPublic, "ec", good), "a stranger's key": signWith(t, jwa.ES384(), ecKey(t), "ec", good)} {
		if _, err := clients.Check(t.Context(), "/cds-services", "Bearer "+token); !errors.Is(err, ErrToken) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if u.calls != calls {
		t.Error("the id of a forged token was remembered")
	}
	if _, err := clients.Check(t.Context(), "/cds-services", ""); !errors.Is(err, ErrNoToken) {
		t.Errorf("no token: %v", err)
	}
}

func TestATokenOfAClientCountsOnce(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	u := &used{seen: map[string]time.Time{}}
	// Two replicas share what has been used.
	replicas := []*Clients{newClients(i, c, u), newClients(i, c, u)}
	token := "Bearer " + i.sign("ec", with(clientClaims(i, c, "id-1"), map[string]any{"tenant": "north"}))
	got, err := replicas[0].Check(t.Context(), "/cds-services", token)
	if diff := cmp.Diff(Client{Issuer: i.url, Tenant: "north"}, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	for n, r := range replicas {
		if _, err := r.Check(t.Context(), "/cds-services", token); !errors.Is(err, ErrToken) {
			t.Errorf("again at replica %d: %v", n, err)
		}
	}
	// It is remembered for as long as it would be good, the difference of the clocks included.
	if until, want := u.seen[i.url+"|id-1"], c.now().Add(5*time.Minute+Skew); !until.Equal(want) {
		t.Errorf("remembered until %s, want %s", until, want)
	}
	u.bad = fault.Unavailable
	if _, err := replicas[0].Check(t.Context(), "/cds-services", "Bearer "+i.sign("ec", clientClaims(i, c, "id-2"))); !errors.Is(err, fault.Unavailable) {
		t.Errorf("without the database: %v", err)
	}
}

func TestTenantsAndFixedAudiences(t *testing.T) {
	t.Parallel()
	i, c := newIssuer(t), newClock()
	clients := newClients(i, c, &used{seen: map[string]time.Time{}}, func(c *ClientConfig) {
		c.Tenants, c.Constants = []string{"north"}, []string{"a-constant"}
	})
	for name, tc := range map[string]struct {
		changes map[string]any
		want    error
	}{
		"its tenant":                   {map[string]any{"tenant": "north"}, nil},
		"another tenant":               {map[string]any{"tenant": "south"}, ErrToken},
		"no tenant":                    {nil, ErrToken},
		"a fixed audience":             {map[string]any{"tenant": "north", "aud": "a-constant"}, nil},
		"a fixed audience with a path": {map[string]any{"tenant": "north", "aud": "a-constant/cds-services"}, ErrToken},
	} {
		_, err := clients.Check(t.Context(), "/cds-services", "Bearer "+i.sign("ec", with(clientClaims(i, c, name), tc.changes)))
		if !errors.Is(err, tc.want) || (tc.want == nil) != (err == nil) {
			t.Errorf("%s: %v, want %v", name, err, tc.want)
		}
	}
}

// TestPublishedToken: the signature of the example that CDS Hooks publishes. It has expired long ago and was good for years, so nothing else
// of it counts.
func TestPublishedToken(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/cds-hooks-client-jwt.json")
	if err != nil {
		t.Fatal(err)
	}
	var vector struct {
		JWK   json.RawMessage
		Token string
	}
	if err := json.Unmarshal(text, &vector); err != nil {
		t.Fatal(err)
	}
	set, err := jwk.Parse(vector.JWK)
	if err != nil {
		t.Fatal(err)
	}
	now := newClock()
	keys := &Keys{now: now.now, set: set, readAt: now.now(), triedAt: now.now()}
	u, err := readJWT(vector.Token)
	if err != nil {
		t.Fatal(err)
	}
	if err := u.verify(t.Context(), keys); err != nil {
		t.Errorf("the published token: %v", err)
	}
	if issuer, _ := u.claims.Issuer(); issuer != "https://fhir-ehr.example.com/" || u.jku != "https://fhir-ehr.example.com/jwk_uri" {
		t.Errorf("read as of %s with keys at %s", issuer, u.jku)
	}
	if err := u.inTime(now.now()); !errors.Is(err, ErrExpired) {
		t.Errorf("its time: %v", err)
	}
	last := vector.Token[len(vector.Token)-1:]
	for _, change := range []string{"A", "w"} {
		if change == last {
			continue
		}
		forged := strings.Replace(vector.Token, ".d1WfLjG", ".d1WfLj"+change, 1)
		u, err := readJWT(forged)
		if err != nil {
			t.Fatal(err)
		}
		if err := u.verify(t.Context(), keys); !errors.Is(err, ErrToken) {
			t.Errorf("with another signature: %v", err)
		}
	}
}
