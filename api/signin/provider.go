package signin

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"dwellwatch/internal/auth"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// Provider is the hospital's OpenID Connect provider.
type Provider struct {
	Issuer       string
	ClientID     string
	ClientSecret string // "" for a public client; PKCE is used in any case
	Redirect     string // this service's /signin/callback, as the provider knows it
	Scopes       []string
	// RoleClaim is the claim of the ID token that holds a person's groups or roles; a full stop leads into an object.
	RoleClaim string
	// Roles gives the values of RoleClaim that mean a role. A role that is not named here is meant by its own word.
	Roles map[auth.Role][]string
	// Record is the FHIR base of the record; an absolute fhirUser counts only below it.
	Record string
	HTTP   *http.Client
	Now    func() time.Time

	mu    sync.Mutex
	found *oidc.Provider
}

// providerTime bounds one exchange with the provider.
const providerTime = 10 * time.Second

// discovered gives the provider's addresses, read when they are needed first.
func (p *Provider) discovered(ctx context.Context) (*oidc.Provider, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found != nil {
		return p.found, nil
	}
	// The keys are read later with the same context.
	heard := &hearing{}
	found, err := oidc.NewProvider(p.with(context.WithoutCancel(ctx), heard), p.Issuer)
	if err != nil {
		return nil, undiscovered(err, heard)
	}
	p.found = found
	return found, nil
}

// with gives the client to use; heard, where it is not nil, learns the status of each answer.
func (p *Provider) with(ctx context.Context, heard *hearing) context.Context {
	client := &http.Client{Timeout: providerTime}
	if p.HTTP != nil {
		own := *p.HTTP
		own.Timeout = providerTime
		client = &own
	}
	if heard != nil {
		heard.RoundTripper = client.Transport
		if heard.RoundTripper == nil {
			heard.RoundTripper = http.DefaultTransport
		}
		client.Transport = heard
	}
	return oidc.ClientContext(ctx, client)
}

// oauth shows our secret in one way alone, because a second try with the same code would look like a stolen one: in the form where the
// provider takes it there, where servers agree how it is written, and else in the Authorization header, which is also meant by a
// provider that says nothing (OpenID Connect Discovery 1.0 section 3).
func (p *Provider) oauth(found *oidc.Provider) *oauth2.Config {
	var says struct {
		Methods []string `json:"token_endpoint_auth_methods_supported"`
	}
	endpoint := found.Endpoint()
	endpoint.AuthStyle = oauth2.AuthStyleInHeader
	if err := found.Claims(&says); p.ClientSecret == "" || err == nil && slices.Contains(says.Methods, "client_secret_post") {
		endpoint.AuthStyle = oauth2.AuthStyleInParams
	}
	return &oauth2.Config{ClientID: p.ClientID, ClientSecret: p.ClientSecret, Endpoint: endpoint, RedirectURL: p.Redirect, Scopes: p.Scopes}
}

// attempt is one sign-in under way. Its seed stands in a cookie of the browser that began it, so that nothing has to be kept here
// and nobody else's browser can end it; state, nonce and PKCE verifier each derive from it and tell nothing of one another.
type attempt struct{ seed string }

func (a attempt) part(name string) string {
	sum := sha256.Sum256([]byte(name + "\x00" + a.seed))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// where gives the provider's page.
func (p *Provider) where(ctx context.Context, a attempt) (string, error) {
	found, err := p.discovered(ctx)
	if err != nil {
		return "", err
	}
	return p.oauth(found).AuthCodeURL(a.part("state"), oidc.Nonce(a.part("nonce")), oauth2.S256ChallengeOption(a.part("verifier"))), nil
}

// who gives the person whom the provider's code stands for.
func (p *Provider) who(ctx context.Context, a attempt, code string) (auth.Person, error) {
	found, err := p.discovered(ctx)
	if err != nil {
		return auth.Person{}, err
	}
	ctx = p.with(ctx, nil)
	token, err := p.oauth(found).Exchange(ctx, code, oauth2.VerifierOption(a.part("verifier")))
	if err != nil {
		return auth.Person{}, unexchanged(err)
	}
	raw, _ := token.Extra("id_token").(string)
	verifier := found.Verifier(&oidc.Config{ClientID: p.ClientID, Now: p.Now,
		SupportedSigningAlgs: []string{oidc.RS256, oidc.RS384, oidc.RS512, oidc.ES256, oidc.ES384, oidc.ES512}})
	id, err := verifier.Verify(ctx, raw)
	if err != nil {
		return auth.Person{}, unverified(err)
	}
	claims := map[string]any{}
	switch {
	case id.Nonce != a.part("nonce"):
		return auth.Person{}, denied("the token has another nonce", "")
	case id.Subject == "" || strings.ContainsFunc(id.Subject, unicode.IsControl) || id.Claims(&claims) != nil:
		return auth.Person{}, denied("the token names nobody", "oidc-issuer")
	}
	return p.person(id.Subject, claims)
}

// person reads who somebody is and what they may do.
func (p *Provider) person(subject string, claims map[string]any) (auth.Person, error) {
	out := auth.Person{Subject: subject, Name: subject, Practitioner: p.practitioner(claims)}
	for _, name := range []string{"name", "preferred_username"} {
		if s, _ := claims[name].(string); s != "" && !strings.ContainsFunc(s, unicode.IsControl) {
			out.Name = s
			break
		}
	}
	groups := groupsOf(claims, p.RoleClaim)
	for _, role := range Roles() {
		means := p.Roles[role]
		if means == nil {
			means = []string{string(role)}
		}
		if slices.ContainsFunc(means, func(m string) bool { return slices.Contains(groups, m) }) {
			out.Roles = append(out.Roles, role)
		}
	}
	if len(out.Roles) == 0 {
		return out, &failure{errNoRole, "no role", "oidc-roles"}
	}
	return out, nil
}

// groupsOf reads a claim that is a list of strings or one string.
func groupsOf(claims map[string]any, name string) []string {
	value, whole := claims[name] // a claim may have a URL for a name
	for at := any(claims); !whole; {
		first, rest, more := strings.Cut(name, ".")
		object, _ := at.(map[string]any)
		at, name = object[first], rest
		if !more {
			value, whole = at, true
		}
	}
	if s, ok := value.(string); ok {
		return []string{s}
	}
	list, _ := value.([]any)
	var out []string
	for _, e := range list {
		if s, ok := e.(string); ok {
			out = append(out, s)
		}
	}
	return out
}

// practitioner reads fhirUser as a reference in the record; "" where it is none.
// https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html
func (p *Provider) practitioner(claims map[string]any) string {
	user, _ := claims["fhirUser"].(string)
	if p.Record != "" {
		user = strings.TrimPrefix(user, strings.TrimSuffix(p.Record, "/")+"/")
	}
	typ, id, ok := strings.Cut(user, "/")
	valid := func(r rune) bool {
		return r == '-' || r == '.' || '0' <= r && r <= '9' || 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z'
	}
	if !ok || typ != "Practitioner" && typ != "PractitionerRole" || id == "" || len(id) > 64 || strings.ContainsFunc(id, func(r rune) bool { return !valid(r) }) {
		return ""
	}
	return user
}
