package auth

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
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
	issuer  string // for discovery, where address is ""
	setting string // the option that names it
	now     func() time.Time
	http    *http.Client
	flight  singleflight.Group

	mu      sync.Mutex
	address string
	set     jwk.Set
	readAt  time.Time // of set
	triedAt time.Time // of the last reading, good or bad
	failed  string    // why the last reading was bad; "" where it was good
}

// NewKeys gives the keys at a JWKS address. Where address is "", the issuer's discovery document names it
// (OpenID Connect Discovery 1.0 section 4). Nothing is read before it is needed.
// setting is the option that names the issuer, for those who run the service.
func NewKeys(setting, issuer, address string, client *http.Client, now func() time.Time) *Keys {
	return &Keys{setting: setting, issuer: issuer, address: address, http: noRedirects(client), now: now}
}

// KeysError says that the keys of an issuer cannot be read; it is fault.Unavailable. Its text names nobody: Issuer, Setting and Cause are
// for the log.
type KeysError struct {
	Issuer, Setting string
	Cause           string
}

func (e *KeysError) Error() string { return "the keys of an issuer cannot be read" }

func (e *KeysError) Unwrap() error { return fault.Unavailable }

// unread is why a reading was bad, in words for the log.
type unread struct{ cause string }

func (e unread) Error() string { return e.cause }

func causeOf(err error) string {
	var u unread
	switch {
	case err == nil:
		return ""
	case errors.As(err, &u):
		return u.cause
	}
	return "not read"
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
	if failed != "" {
		return nil, &KeysError{Issuer: k.issuer, Setting: k.setting, Cause: failed}
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
		k.failed = causeOf(err)
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
	switch {
	case json.Unmarshal(body, &document) != nil:
		return "", unread{"the discovery document is not JSON"}
	case document.Issuer != k.issuer:
		return "", unread{"the discovery document names another issuer"}
	case CheckAddress(document.JWKS) != nil:
		return "", unread{"the discovery document has no good jwks_uri"}
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
		return nil, unread{"not a key set"}
	}
	return set, nil
}

func (k *Keys) get(ctx context.Context, address string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, http.NoBody)
	if err != nil {
		return nil, unread{"not an address"}
	}
	req.Header.Set("Accept", "application/json")
	resp, err := k.http.Do(req)
	if err != nil {
		return nil, unread{"no answer"}
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxKeys+1))
	switch {
	case resp.StatusCode != http.StatusOK:
		return nil, unread{"answered " + strconv.Itoa(resp.StatusCode)}
	case err != nil || len(body) > maxKeys:
		return nil, unread{"the answer is cut short or too long"}
	}
	return body, nil
}
