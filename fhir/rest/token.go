package rest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"dwellwatch/internal/fault"

	"github.com/google/uuid"
	"golang.org/x/oauth2"
	"golang.org/x/oauth2/clientcredentials"
	"golang.org/x/sync/singleflight"
)

const (
	assertionType = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
	// tokenTime is how long a token counts that does not say how long it is good (SMART recommends this).
	tokenTime = 5 * time.Minute
	// tokenMargin is how long before its end a token is no longer used.
	tokenMargin = 30 * time.Second
	// tokenPause is how long a failure stands before the record is asked again.
	tokenPause = 5 * time.Second
	// maxDiscovery bounds the record's description of itself in bytes.
	maxDiscovery = 1 << 20
)

// TokenConfig says how to get access tokens by SMART Backend Services.
// https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html
type TokenConfig struct {
	Base     string // the record's FHIR base, which names the token endpoint where Endpoint is ""
	Endpoint string
	ClientID string
	Key      Key
	// KeyAddress is where the record reads our keys (jku); "" leaves it out.
	KeyAddress string
	Scopes     []string // of SMART version 2; a record that does not know them is asked with those of version 1
	Timeout    time.Duration
	HTTP       *http.Client
	Now        func() time.Time
	// Note hears of each request for a token: the scopes that were asked for and not granted, or the error. nil for nobody.
	Note func(missing []string, err error)
}

// Tokens gets access tokens and keeps the newest. It is safe for concurrent use.
type Tokens struct {
	TokenConfig
	http   *http.Client
	flight singleflight.Group

	mu       sync.Mutex
	token    string
	until    time.Time
	endpoint string
	old      bool // the record knows scopes of version 1 only
	failed   error
	failedAt time.Time
}

// errNoToken is what the record's token endpoint says no with.
var errNoToken = fmt.Errorf("the record gives no token: %w", fault.Refused)

// NewTokens sends nothing.
func NewTokens(c TokenConfig) (*Tokens, error) {
	if c.ClientID == "" || !c.Key.Set() || len(c.Scopes) == 0 {
		return nil, fmt.Errorf("a client id, a key and scopes are needed: %w", fault.Invalid)
	}
	if c.Timeout <= 0 {
		c.Timeout = defaultTimeout
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Note == nil {
		c.Note = func([]string, error) {}
	}
	client := http.Client{}
	if c.HTTP != nil {
		client = *c.HTTP
	}
	client.Timeout = c.Timeout
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &Tokens{TokenConfig: c, http: &client, endpoint: c.Endpoint}, nil
}

// Token gives a token that is good for a while yet. An error is fault.Unavailable, or fault.Refused where the record gives us none.
func (t *Tokens) Token(ctx context.Context) (string, error) {
	t.mu.Lock()
	token, until := t.token, t.until
	t.mu.Unlock()
	if token != "" && t.Now().Before(until) {
		return token, nil
	}
	return t.fetch(ctx)
}

// Renew gives another token than the one that was refused, unless another caller has already brought one.
func (t *Tokens) Renew(ctx context.Context, refused string) (string, error) {
	t.mu.Lock()
	if t.token != refused && t.token != "" {
		defer t.mu.Unlock()
		return t.token, nil
	}
	t.token = ""
	t.mu.Unlock()
	return t.fetch(ctx)
}

// fetch asks for a token; callers at once share one request, which the end of one caller does not end.
func (t *Tokens) fetch(ctx context.Context) (string, error) {
	shared := t.flight.DoChan("", func() (any, error) {
		t.mu.Lock()
		failed, at := t.failed, t.failedAt
		t.mu.Unlock()
		if failed != nil && t.Now().Sub(at) < tokenPause {
			return "", failed
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.Timeout)
		defer cancel()
		token, missing, err := t.ask(ctx)
		t.mu.Lock()
		t.failed, t.failedAt = err, t.Now()
		t.mu.Unlock()
		t.Note(missing, err)
		return token, err
	})
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case got := <-shared:
		token, _ := got.Val.(string)
		return token, got.Err
	}
}

func (t *Tokens) ask(ctx context.Context) (token string, missing []string, err error) {
	endpoint, err := t.where(ctx)
	if err != nil {
		return "", nil, err
	}
	t.mu.Lock()
	old := t.old
	t.mu.Unlock()
	scopes := t.Scopes
	if old {
		scopes = versionOne(t.Scopes)
	}
	got, err := t.request(ctx, endpoint, scopes)
	if refused := (*oauth2.RetrieveError)(nil); !old && errors.As(err, &refused) && refused.ErrorCode == "invalid_scope" {
		old, scopes = true, versionOne(t.Scopes)
		got, err = t.request(ctx, endpoint, scopes)
	}
	if err != nil {
		return "", nil, sorted(ctx, err)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.Now()
	t.token, t.old, t.until = got.AccessToken, old, now.Add(tokenTime-tokenMargin)
	if !got.Expiry.IsZero() {
		lasts := time.Until(got.Expiry) // the library has added what the record said to the time of the machine
		t.until = now.Add(lasts - min(tokenMargin, lasts/10))
	}
	granted, _ := got.Extra("scope").(string)
	return t.token, ungranted(scopes, granted), nil
}

// request asks once, with an assertion of its own.
func (t *Tokens) request(ctx context.Context, endpoint string, scopes []string) (*oauth2.Token, error) {
	assertion, err := t.Key.assertion(t.ClientID, endpoint, uuid.NewString(), t.KeyAddress, t.Now())
	if err != nil {
		return nil, fmt.Errorf("sign: %w", fault.Invalid)
	}
	c := clientcredentials.Config{TokenURL: endpoint, Scopes: scopes, AuthStyle: oauth2.AuthStyleInParams,
		EndpointParams: url.Values{"client_assertion_type": {assertionType}, "client_assertion": {assertion}}}
	return c.Token(context.WithValue(ctx, oauth2.HTTPClient, t.http))
}

// sorted gives an error of the token endpoint its kind, and nothing of its text, which may repeat what was sent.
func sorted(ctx context.Context, err error) error {
	refused := (*oauth2.RetrieveError)(nil)
	if errors.As(err, &refused) && refused.Response != nil && refused.Response.StatusCode < 500 && refused.Response.StatusCode != http.StatusTooManyRequests {
		return errNoToken
	}
	if ctx.Err() != nil {
		return fmt.Errorf("no token in time: %w", fault.Unavailable)
	}
	return fmt.Errorf("the token endpoint cannot be reached: %w", fault.Unavailable)
}

// where gives the token endpoint: the configured one, or the one that the record names.
// https://hl7.org/fhir/smart-app-launch/STU2.2/conformance.html
func (t *Tokens) where(ctx context.Context) (string, error) {
	t.mu.Lock()
	endpoint := t.endpoint
	t.mu.Unlock()
	if endpoint != "" {
		return endpoint, nil
	}
	base, err := url.Parse(strings.TrimRight(t.Base, "/") + "/")
	if err != nil {
		return "", fmt.Errorf("the record's base: %w", fault.Invalid)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, base.JoinPath(".well-known", "smart-configuration").String(), http.NoBody)
	if err != nil {
		return "", fmt.Errorf("the record's base: %w", fault.Invalid)
	}
	req.Header.Set("Accept", "application/json")
	resp, err := t.http.Do(req)
	if err != nil {
		return "", fmt.Errorf("the record's SMART configuration cannot be read: %w", fault.Unavailable)
	}
	defer resp.Body.Close()
	var document struct {
		Endpoint string `json:"token_endpoint"`
	}
	err = json.NewDecoder(io.LimitReader(resp.Body, maxDiscovery)).Decode(&document)
	if resp.StatusCode != http.StatusOK || err != nil {
		return "", fmt.Errorf("the record's SMART configuration cannot be read: %w", fault.Unavailable)
	}
	// A relative address is meant below the base.
	found, err := base.Parse(document.Endpoint)
	if err != nil || document.Endpoint == "" || found.Scheme != "https" && !sameOrigin(found, base) {
		return "", fmt.Errorf("the record names no token endpoint that may be used: %w", fault.Refused)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.endpoint = found.String()
	return t.endpoint, nil
}

// versionOne writes scopes as SMART version 1 does: what reads or searches is read, what creates, updates or deletes is write.
func versionOne(scopes []string) []string {
	var out []string
	for _, s := range scopes {
		what, letters, ok := strings.Cut(s, ".")
		if !ok || !strings.Contains(what, "/") || letters == "" || strings.Trim(letters, "cruds") != "" {
			out = append(out, s)
			continue
		}
		if strings.ContainsAny(letters, "rs") {
			out = append(out, what+".read")
		}
		if strings.ContainsAny(letters, "cud") {
			out = append(out, what+".write")
		}
	}
	return slices.Compact(out)
}

// ungranted gives what was asked for and is not in the answer, letter by letter. An answer that names no scope grants what was asked for
// (RFC 6749 section 5.1).
func ungranted(asked []string, granted string) []string {
	if granted == "" {
		return nil
	}
	have := map[string]string{}
	for _, s := range strings.Fields(granted) {
		what, letters := parted(s)
		have[what] += letters
	}
	var out []string
	for _, s := range asked {
		what, letters := parted(s)
		system, _, _ := strings.Cut(what, "/")
		if strings.Trim(letters, have[what]+have[system+"/*"]) != "" || letters == "" && have[what] == "" && !strings.Contains(" "+granted+" ", " "+s+" ") {
			out = append(out, s)
		}
	}
	return out
}

// parted gives a scope's letters in the words of version 2.
func parted(scope string) (what, letters string) {
	scope, _, _ = strings.Cut(scope, "?")
	what, letters, _ = strings.Cut(scope, ".")
	switch letters {
	case "read":
		letters = "rs"
	case "write":
		letters = "cud"
	case "*":
		letters = "cruds"
	}
	return what, letters
}
