package auth

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"sync"
	"time"

	"dwellwatch/internal/fault"

	"github.com/lestrrat-go/jwx/v3/jwk"
	"golang.org/x/sync/singleflight"
)

const (
	// keysAge is how long keys are used before they are read again.
	keysAge = 15 * time.Minute
	// keysPause is the least time between two readings: a flood of unknown key ids makes no flood of requests to the issuer.
	keysPause = time.Minute
	// maxKeys bounds a key set or a discovery document in bytes.
	maxKeys = 1 << 20
	// fetchTime bounds one reading.
	fetchTime = 5 * time.Second
)

// Keys are the public keys of one party, read from an address that is configured and from no other. It is safe for
// concurrent use.
type Keys struct {
	issuer string // for discovery, where address is ""
	now    func() time.Time
	http   *http.Client
	flight singleflight.Group

	mu      sync.Mutex
	address string
	set     jwk.Set
	readAt  time.Time // of set
	triedAt time.Time // of the last reading, good or bad
	failed  bool      // the last reading was bad
}

// NewKeys gives the keys at a JWKS address. Where address is "", the issuer's discovery document names it
// (OpenID Connect Discovery 1.0 section 4). Nothing is read before it is needed.
func NewKeys(issuer, address string, client *http.Client, now func() time.Time) *Keys {
	return &Keys{issuer: issuer, address: address, http: noRedirects(client), now: now}
}

// noRedirects keeps a client from being led to an address that nobody configured.
func noRedirects(c *http.Client) *http.Client {
	var own http.Client
	if c != nil {
		own = *c
	}
	own.Timeout = fetchTime
	own.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &own
}

// find gives the key that can have signed u. Keys that are old, or among which there is none, are read again, but not
// sooner than keysPause after the last reading. Where they cannot be read the error is fault.Unavailable.
func (k *Keys) find(ctx context.Context, u unproven) (jwk.Key, error) {
	set, fresh := k.known()
	if set != nil && fresh {
		if key, ok := u.fitting(set); ok {
			return key, nil
		}
	}
	k.reread(ctx)
	k.mu.Lock()
	set, failed := k.set, k.failed
	k.mu.Unlock()
	if set != nil {
		if key, ok := u.fitting(set); ok {
			return key, nil
		}
	}
	if failed {
		return nil, fmt.Errorf("the keys of an issuer cannot be read: %w", fault.Unavailable)
	}
	return nil, ErrToken
}

func (k *Keys) known() (set jwk.Set, fresh bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.set, k.now().Sub(k.readAt) < keysAge
}

// reread reads the keys unless that was tried within keysPause. Callers at once wait for one reading. Keys that were read
// before stay in use where it fails.
func (k *Keys) reread(ctx context.Context) {
	_, _, _ = k.flight.Do("", func() (any, error) {
		k.mu.Lock()
		now, address := k.now(), k.address
		if !k.triedAt.IsZero() && now.Sub(k.triedAt) < keysPause {
			k.mu.Unlock()
			return nil, nil
		}
		k.triedAt = now
		k.mu.Unlock()
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), fetchTime)
		defer cancel()
		var err error
		if address == "" {
			address, err = k.discover(ctx)
		}
		var set jwk.Set
		if err == nil {
			set, err = k.fetch(ctx, address)
		}
		k.mu.Lock()
		defer k.mu.Unlock()
		k.failed = err != nil
		if err == nil {
			k.set, k.readAt, k.address = set, now, address
		}
		return nil, nil
	})
}

// discover reads the address of the keys from the issuer's own document, which must name the issuer to the letter.
func (k *Keys) discover(ctx context.Context) (string, error) {
	body, err := k.get(ctx, trimSlash(k.issuer)+"/.well-known/openid-configuration")
	if err != nil {
		return "", err
	}
	var document struct {
		Issuer string `json:"issuer"`
		JWKS   string `json:"jwks_uri"`
	}
	if json.Unmarshal(body, &document) != nil || document.Issuer != k.issuer || CheckAddress(document.JWKS) != nil {
		return "", fmt.Errorf("discovery: %w", fault.Invalid)
	}
	return document.JWKS, nil
}

func (k *Keys) fetch(ctx context.Context, address string) (jwk.Set, error) {
	body, err := k.get(ctx, address)
	if err != nil {
		return nil, err
	}
	// A key of a kind that is not known here does not spoil the others.
	set, err := jwk.Parse(body, jwk.WithIgnoreParseError(true))
	if err != nil || set.Len() == 0 {
		return nil, fmt.Errorf("key set: %w", fault.Invalid)
	}
	return set, nil
}

func (k *Keys) get(ctx context.Context, address string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, http.NoBody)
	if err != nil {
		return nil, fmt.Errorf("address: %w", fault.Invalid)
	}
	req.Header.Set("Accept", "application/json")
	resp, err := k.http.Do(req)
	if err != nil {
		return nil, fmt.Errorf("issuer: %w", fault.Unavailable)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxKeys+1))
	if err != nil || resp.StatusCode != http.StatusOK || len(body) > maxKeys {
		return nil, fmt.Errorf("issuer: %w", fault.Unavailable)
	}
	return body, nil
}
