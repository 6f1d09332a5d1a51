package auth

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"
)

// maxLifetime is how far ahead the exp of a CDS client's token may lie. The standard names no limit; an id must be remembered for as
// long as a token is good, so there has to be one (choice).
const maxLifetime = time.Hour

// maxID bounds the jti of a token in bytes.
const maxID = 512

// Party is a CDS client that may call.
type Party struct {
	Issuer string // the iss claim, to the letter
	// Addresses of its keys. A token that names one (jku) must name one of these; a token that names none is checked with the first.
	Addresses []string
}

// ClientConfig says which CDS clients may call.
type ClientConfig struct {
	Parties []Party
	// Bases are the URLs under which clients know this service. An aud is a base followed by the path that is called; a value of
	// Constants will do at every path.
	Bases, Constants []string
	// Tenants that may call; none means that every tenant will do.
	Tenants []string
	// First notes that the token of an issuer with an id has been used, until it is no good any more, and reports whether it was the first time.
	// It must be the same for all replicas.
	First func(ctx context.Context, issuer, id string, until time.Time) (bool, error)
	Now   func() time.Time
	HTTP  *http.Client
}

// Clients knows the CDS clients. It is safe for concurrent use.
type Clients struct {
	ClientConfig
	parties map[string]map[string]*Keys // by issuer and address
	first   map[string]string           // the first address by issuer
}

// NewClients sends nothing.
func NewClients(c ClientConfig) *Clients {
	out := &Clients{ClientConfig: c, parties: map[string]map[string]*Keys{}, first: map[string]string{}}
	for _, p := range c.Parties {
		out.parties[p.Issuer] = map[string]*Keys{}
		for _, address := range p.Addresses {
			out.parties[p.Issuer][address] = NewKeys("cds-clients", p.Issuer, address, c.HTTP, c.Now)
		}
		out.first[p.Issuer] = p.Addresses[0]
	}
	return out
}

// Check tells which client has sent a request to a path, by its Authorization header. The checks stand in the order that CDS Hooks
// gives them, so that nothing is fetched and nothing is remembered for a stranger. The error is ErrNoToken, ErrToken, ErrExpired or
// fault.Unavailable.
// https://cds-hooks.hl7.org/2.0/#trusting-cds-clients
func (c *Clients) Check(ctx context.Context, path, header string) (Client, error) {
	u, err := readJWT(bearer(header))
	if err != nil {
		return Client{}, err
	}
	issuer, _ := u.claims.Issuer()
	party, known := c.parties[issuer]
	if !known {
		return Client{}, ErrToken
	}
	address := c.first[issuer]
	if u.jku != "" {
		address = u.jku
	}
	keys, listed := party[address]
	if !listed || !c.meant(u, path) {
		return Client{}, ErrToken
	}
	now := c.Now()
	id, exp, err := c.lives(u, now)
	if err != nil {
		return Client{}, err
	}
	tenant := u.text("tenant")
	if len(c.Tenants) > 0 && !slices.Contains(c.Tenants, tenant) {
		return Client{}, ErrToken
	}
	if err := u.verify(ctx, keys); err != nil {
		return Client{}, err
	}
	first, err := c.First(ctx, issuer, id, exp.Add(Skew))
	if err != nil {
		return Client{}, err
	}
	if !first {
		return Client{}, ErrToken
	}
	return Client{Issuer: issuer, Tenant: tenant}, nil
}

// meant reports whether the token was made for this endpoint. What is sent back about cards may name the service itself: the standard
// does not say which.
func (c *Clients) meant(u unproven, path string) bool {
	audience, _ := u.claims.Audience()
	service, feedback := strings.CutSuffix(path, "/feedback")
	return slices.ContainsFunc(audience, func(a string) bool {
		return slices.Contains(c.Constants, a) || slices.ContainsFunc(c.Bases, func(base string) bool {
			return a == trimSlash(base)+path || feedback && a == trimSlash(base)+service
		})
	})
}

// lives checks exp, iat and nbf, and gives what it takes to know the token again.
func (c *Clients) lives(u unproven, now time.Time) (id string, exp time.Time, err error) {
	if err := u.inTime(now); err != nil {
		return "", time.Time{}, err
	}
	exp, _ = u.claims.Expiration()
	id, _ = u.claims.JwtID()
	if _, issued := u.claims.IssuedAt(); !issued || id == "" || len(id) > maxID || exp.After(now.Add(maxLifetime+Skew)) {
		return "", time.Time{}, ErrToken
	}
	return id, exp, nil
}
