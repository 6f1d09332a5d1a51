package auth

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"slices"
	"time"
)

// Issuer is an authorization server whose access tokens count.
type Issuer struct {
	URL  string // the iss claim, to the letter
	JWKS string // address of its keys; "" finds it by discovery at URL
}

// Pin names who may deliver to a feed by access token.
type Pin struct {
	Issuer string
	Client string // "" for every client of the issuer
}

// MachineConfig says which machines may call. Without issuers only secrets count.
type MachineConfig struct {
	Secret  string            // opens everything that machines may use
	Feeds   map[string]string // a secret by feed, which opens that feed's doors alone
	Issuers []Issuer
	// Audiences are the values of aud that mean this service.
	Audiences []string
	// Pins are by feed; a feed without any takes every issuer's clients.
	Pins map[string][]Pin
	Now  func() time.Time
	HTTP *http.Client
}

// Machines knows the callers that are no people. It is safe for concurrent use.
type Machines struct {
	all       Token
	feeds     map[string]Token
	keys      map[string]*Keys
	audiences []string
	pins      map[string][]Pin
	now       func() time.Time
}

// NewMachines sends nothing.
func NewMachines(c MachineConfig) *Machines {
	m := &Machines{all: NewToken(c.Secret), feeds: map[string]Token{}, keys: map[string]*Keys{}, audiences: c.Audiences, pins: c.Pins, now: c.Now}
	for feed, secret := range c.Feeds {
		m.feeds[feed] = NewToken(secret)
	}
	for _, i := range c.Issuers {
		m.keys[i.URL] = NewKeys("issuers", i.URL, i.JWKS, c.HTTP, c.Now)
	}
	return m
}

// Set reports whether machines need any credentials at all.
func (m *Machines) Set() bool { return m.all.Set() || len(m.feeds)+len(m.keys) > 0 }

// Secret reports whether header shows the secret that opens everything.
func (m *Machines) Secret(header string) bool { return m.all.Allows(header) }

// Grant is what a machine may do. The zero Grant may do nothing.
type Grant struct {
	// Who names the caller in the audit trail.
	Who     string
	all     bool
	feed    string // its secret was shown; "" for none
	by      Pin    // whose access token it was
	pins    map[string][]Pin
	granted scopes
}

// All is the grant of whoever needs no scope; who names the caller.
func All(who string) Grant { return Grant{Who: who, all: true} }

// By gives " by " and the client whose access token it was; "" where there was none.
func (g Grant) By() string {
	if g.by == (Pin{}) {
		return ""
	}
	return " by " + g.Who
}

// Check tells what the bearer of an Authorization header may do. The error is ErrNoToken, ErrToken, ErrExpired, or fault.Unavailable
// where an issuer's keys cannot be read.
func (m *Machines) Check(ctx context.Context, header string) (Grant, error) {
	raw := bearer(header)
	if raw == "" {
		return Grant{}, ErrNoToken
	}
	if m.all.Allows(header) {
		return All("token"), nil
	}
	// Every secret is compared, so that the time taken does not tell which feed's it is.
	own := ""
	for feed, secret := range m.feeds {
		if secret.Allows(header) {
			own = feed
		}
	}
	if own != "" {
		return Grant{Who: "secret of feed " + own, feed: own}, nil
	}
	return m.accessToken(ctx, raw)
}

// accessToken checks a JWT access token (RFC 9068, without its demands on typ, which few servers meet).
func (m *Machines) accessToken(ctx context.Context, raw string) (Grant, error) {
	u, err := readJWT(raw)
	if err != nil {
		return Grant{}, err
	}
	issuer, _ := u.claims.Issuer()
	keys, known := m.keys[issuer]
	if !known {
		return Grant{}, ErrToken
	}
	audience, _ := u.claims.Audience()
	if !slices.ContainsFunc(audience, func(a string) bool { return slices.Contains(m.audiences, a) }) {
		return Grant{}, ErrToken
	}
	late := u.inTime(m.now())
	if late != nil && !errors.Is(late, ErrExpired) {
		return Grant{}, late
	}
	if err := u.verify(ctx, keys); err != nil {
		return Grant{}, err
	}
	if late != nil {
		return Grant{}, late
	}
	subject, _ := u.claims.Subject()
	client := cmp.Or(u.text("client_id"), u.text("azp"), subject)
	granted := append(u.words("scope"), u.words("scp")...)
	return Grant{Who: "client " + client + " of " + issuer, by: Pin{issuer, client}, pins: m.pins, granted: granted}, nil
}

// MayUse reports whether the grant opens a route that needs a scope and belongs to a feed ("" for none). For ScopeDeliver see
// MayDeliver.
func (g Grant) MayUse(scope, feed string) bool {
	switch {
	case g.all:
		return true
	case g.feed != "":
		return feed == g.feed
	case g.by == (Pin{}):
		return false
	}
	return g.pinned(feed) && (scope == "" || scope == ScopeDeliver || g.granted.has(scope))
}

// pinned reports whether a feed takes the client's deliveries.
func (g Grant) pinned(feed string) bool {
	pins := g.pins[feed]
	return feed == "" || len(pins) == 0 || slices.ContainsFunc(pins, func(p Pin) bool {
		return p.Issuer == g.by.Issuer && (p.Client == "" || p.Client == g.by.Client)
	})
}

// MayDeliver reports whether resources of a type may come by any of the letters of verbs: "c" for a POST, "u" for a PUT, "d" for a
// deletion. Where typ is "" a grant for any type will do.
func (g Grant) MayDeliver(typ, verbs string) bool {
	return g.all || g.feed != "" || g.granted.allow(typ, verbs)
}
