// Package auth decides whether a caller may use a door. It must never log, store or give back a secret.
package auth

import (
	"crypto/sha256"
	"crypto/subtle"
	"strings"
)

// Token is one shared secret of inbound requests. The zero Token lets nobody in.
type Token struct {
	sum [sha256.Size]byte
	set bool
}

// NewToken keeps a digest of secret. An empty secret gives the zero Token.
func NewToken(secret string) Token {
	if secret == "" {
		return Token{}
	}
	return Token{sha256.Sum256([]byte(secret)), true}
}

// Set reports whether there is a secret.
func (t Token) Set() bool { return t.set }

// Allows reports whether header, the value of Authorization, is "Bearer" and the secret (RFC 6750 section 2.1; the
// scheme in any case, RFC 9110 section 11.1). Digests of equal length are compared, so the time taken tells neither how
// much of a guess is right nor how long the secret is.
func (t Token) Allows(header string) bool {
	scheme, secret, ok := strings.Cut(header, " ")
	if !t.set || !ok || !strings.EqualFold(scheme, "Bearer") {
		return false
	}
	sum := sha256.Sum256([]byte(strings.TrimLeft(secret, " ")))
	return subtle.ConstantTimeCompare(sum[:], t.sum[:]) == 1
}
