package auth

import (
	"context"
	"crypto/ecdsa"
	"crypto/rsa"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jwk"
	"github.com/lestrrat-go/jwx/v3/jws"
	"github.com/lestrrat-go/jwx/v3/jwt"
)

// Why a token is no good. Errors of this package hold nothing of the token.
var (
	ErrNoToken = errors.New("no bearer token")
	ErrToken   = errors.New("the token is not valid")
	ErrExpired = errors.New("the token has expired")
)

const (
	// Skew is how far two clocks may differ.
	Skew = 60 * time.Second
	// maxToken bounds a token in bytes before anything of it is read.
	maxToken = 16 << 10
	// minRSA is the shortest RSA modulus in bits that counts (NIST SP 800-131A).
	minRSA = 2048
)

// bearer gives the token of an Authorization header; "" where there is none.
func bearer(header string) string {
	scheme, token, ok := strings.Cut(header, " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimLeft(token, " ")
}

// unproven is a JWT whose signature has not been checked yet.
type unproven struct {
	raw      []byte
	alg      jwa.SignatureAlgorithm
	kid, jku string
	claims   jwt.Token
}

// algorithms are those that count: public keys only, so that nobody can sign with a key that everybody knows.
func algorithms() []jwa.SignatureAlgorithm {
	return []jwa.SignatureAlgorithm{jwa.RS256(), jwa.RS384(), jwa.RS512(), jwa.ES256(), jwa.ES384(), jwa.ES512()}
}

// readJWT reads header and claims. What critical extensions a token names nobody here understands, so it is refused
// (RFC 7515 section 4.1.11).
func readJWT(raw string) (unproven, error) {
	if raw == "" {
		return unproven{}, ErrNoToken
	}
	if len(raw) > maxToken || strings.Count(raw, ".") != 2 {
		return unproven{}, ErrToken
	}
	message, err := jws.Parse([]byte(raw), jws.WithCompact())
	if err != nil || len(message.Signatures()) != 1 {
		return unproven{}, ErrToken
	}
	header := message.Signatures()[0].ProtectedHeaders()
	alg, ok := header.Algorithm()
	if !ok || !slices.Contains(algorithms(), alg) {
		return unproven{}, ErrToken
	}
	if _, critical := header.Critical(); critical {
		return unproven{}, ErrToken
	}
	claims, err := jwt.ParseInsecure([]byte(raw))
	if err != nil {
		return unproven{}, ErrToken
	}
	u := unproven{raw: []byte(raw), alg: alg, claims: claims}
	u.kid, _ = header.KeyID()
	u.jku, _ = header.JWKSetURL()
	return u, nil
}

// verify checks the signature with the one key of keys that fits.
func (u unproven) verify(ctx context.Context, keys *Keys) error {
	key, err := keys.find(ctx, u)
	if err != nil {
		return err
	}
	if _, err := jws.Verify(u.raw, jws.WithKey(u.alg, key)); err != nil {
		return ErrToken
	}
	return nil
}

// fitting gives the one key of a set that can have signed u; more than one is as bad as none.
func (u unproven) fitting(set jwk.Set) (jwk.Key, bool) {
	var found jwk.Key
	for i := range set.Len() {
		key, ok := set.Key(i)
		if !ok || !u.fits(key) {
			continue
		}
		if found != nil {
			return nil, false
		}
		found = key
	}
	return found, found != nil
}

// fits reports whether a key has the token's kid, where the token names one, and is of the kind that its algorithm needs.
func (u unproven) fits(key jwk.Key) bool {
	if kid, _ := key.KeyID(); u.kid != "" && kid != u.kid {
		return false
	}
	if use, ok := key.KeyUsage(); ok && use != "" && use != string(jwk.ForSignature) {
		return false
	}
	if alg, ok := key.Algorithm(); ok && alg.String() != "" && alg.String() != u.alg.String() {
		return false
	}
	public, err := key.PublicKey()
	if err != nil {
		return false
	}
	if strings.HasPrefix(u.alg.String(), "RS") {
		var k rsa.PublicKey
		return jwk.Export(public, &k) == nil && k.N.BitLen() >= minRSA
	}
	var k ecdsa.PublicKey
	if jwk.Export(public, &k) != nil {
		return false
	}
	bits := map[string]int{"ES256": 256, "ES384": 384, "ES512": 521}[u.alg.String()]
	return k.Curve.Params().BitSize == bits
}

// inTime checks exp, which must be there, and nbf and iat where they are.
func (u unproven) inTime(now time.Time) error {
	exp, ok := u.claims.Expiration()
	if !ok {
		return ErrToken
	}
	if !now.Before(exp.Add(Skew)) {
		return ErrExpired
	}
	if nbf, ok := u.claims.NotBefore(); ok && nbf.After(now.Add(Skew)) {
		return ErrToken
	}
	if iat, ok := u.claims.IssuedAt(); ok && iat.After(now.Add(Skew)) {
		return ErrToken
	}
	return nil
}

// text gives a claim that is a string; "" where it is not there or is something else.
func (u unproven) text(claim string) string {
	var s string
	if u.claims.Get(claim, &s) != nil {
		return ""
	}
	return s
}

// words gives a claim that is a list of strings, or one string of words with blanks between.
func (u unproven) words(claim string) []string {
	var value any
	if u.claims.Get(claim, &value) != nil {
		return nil
	}
	switch v := value.(type) {
	case string:
		return strings.Fields(v)
	case []string:
		return v
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
