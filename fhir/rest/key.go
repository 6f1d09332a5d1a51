package rest

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"time"

	"dwellwatch/internal/fault"

	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jwk"
	"github.com/lestrrat-go/jwx/v3/jws"
	"github.com/lestrrat-go/jwx/v3/jwt"
)

// minRSA is the shortest RSA modulus in bits (NIST SP 800-131A).
const minRSA = 2048

// Key is a private key by which this service is known to the record. The zero Key signs nothing.
type Key struct {
	private jwk.Key
	alg     jwa.SignatureAlgorithm
	kid     string
}

// ReadKey reads a private key from PEM or a JWK: RSA, which signs with RS384, or EC on P-384, which signs with ES384; SMART knows these two.
// A key without kid gets its thumbprint (RFC 7638) for one. The error never holds anything of the key.
// https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html
func ReadKey(text []byte) (Key, error) {
	private, err := jwk.ParseKey(text)
	if err != nil {
		private, err = jwk.ParseKey(text, jwk.WithPEM(true))
	}
	if bits := modulus(text); err != nil && bits > 0 && bits < minRSA {
		return Key{}, fmt.Errorf("an RSA key of %d bits, and it takes %d: %w", bits, minRSA, fault.Invalid)
	}
	if err != nil {
		return Key{}, fmt.Errorf("not a key in PEM or as a JWK: %w", fault.Invalid)
	}
	k := Key{private: private}
	var r rsa.PrivateKey
	var e ecdsa.PrivateKey
	switch {
	case jwk.Export(private, &r) == nil && r.N.BitLen() >= minRSA:
		k.alg = jwa.RS384()
	case jwk.Export(private, &e) == nil:
		if curve := e.Curve.Params(); curve.BitSize != 384 {
			return Key{}, fmt.Errorf("a key on the curve %s, and it takes P-384: %w", curve.Name, fault.Invalid)
		}
		k.alg = jwa.ES384()
	case public(private):
		return Key{}, fmt.Errorf("a public key, and it takes the private one: %w", fault.Invalid)
	default:
		return Key{}, fmt.Errorf("not a private RSA key of %d bits or more, nor one on the curve P-384: %w", minRSA, fault.Invalid)
	}
	if named, ok := private.Algorithm(); ok && named.String() != "" && named.String() != k.alg.String() {
		return Key{}, fmt.Errorf("a key for another algorithm than RS384 or ES384: %w", fault.Invalid)
	}
	if k.kid, _ = private.KeyID(); k.kid == "" {
		print, err := private.Thumbprint(crypto.SHA256)
		if err != nil {
			return Key{}, fmt.Errorf("a key without thumbprint: %w", fault.Invalid)
		}
		k.kid = base64.RawURLEncoding.EncodeToString(print)
	}
	return k, nil
}

// modulus gives the bits of the modulus of an RSA key, which the library does not even read where it is short; 0 where there is none.
func modulus(text []byte) int {
	if block, _ := pem.Decode(text); block != nil {
		if k, err := x509.ParsePKCS1PrivateKey(block.Bytes); err == nil {
			return k.N.BitLen()
		}
		k, err := x509.ParsePKCS8PrivateKey(block.Bytes)
		if own, ok := k.(*rsa.PrivateKey); err == nil && ok {
			return own.N.BitLen()
		}
		return 0
	}
	var k struct {
		N string `json:"n"`
	}
	if json.Unmarshal(text, &k) != nil {
		return 0
	}
	n, err := base64.RawURLEncoding.DecodeString(k.N)
	if err != nil {
		return 0
	}
	return new(big.Int).SetBytes(n).BitLen()
}

// public reports the public half of a pair.
func public(k jwk.Key) bool {
	private, err := jwk.IsPrivateKey(k)
	return err == nil && !private
}

// Set reports whether there is a key.
func (k Key) Set() bool { return k.private != nil }

// PublicSet gives the public halves of keys as a JWK set, for the record to read. Keys of one kid and kind are refused: the record
// must find exactly one.
func PublicSet(keys ...Key) ([]byte, error) {
	set := struct {
		Keys []json.RawMessage `json:"keys"`
	}{Keys: []json.RawMessage{}}
	seen := map[string]bool{}
	for _, k := range keys {
		if !k.Set() {
			continue
		}
		if seen[k.kid] {
			return nil, fmt.Errorf("two keys have the same kid: %w", fault.Invalid)
		}
		seen[k.kid] = true
		text, err := k.public()
		if err != nil {
			return nil, fmt.Errorf("a key has no public half: %w", fault.Invalid)
		}
		set.Keys = append(set.Keys, text)
	}
	return json.Marshal(set)
}

func (k Key) public() ([]byte, error) {
	whole, err := k.private.PublicKey()
	if err != nil {
		return nil, err
	}
	// A fresh key takes along nothing that stood beside the private one.
	var raw any
	if err := jwk.Export(whole, &raw); err != nil {
		return nil, err
	}
	public, err := jwk.Import(raw)
	if err != nil {
		return nil, err
	}
	return marshal(public, public.Set(jwk.KeyIDKey, k.kid), public.Set(jwk.AlgorithmKey, k.alg), public.Set(jwk.KeyUsageKey, jwk.ForSignature),
		public.Set(jwk.KeyOpsKey, jwk.KeyOperationList{jwk.KeyOpVerify}))
}

func marshal(v any, faults ...error) ([]byte, error) {
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return json.Marshal(v)
}

// assertionTime is how long an assertion is good: SMART allows five minutes, and clocks differ.
const assertionTime = 4 * time.Minute

// assertion signs who we are, for one token request: the record may refuse to see the same id twice. It has no nbf, which a record
// whose clock is behind would not take.
func (k Key) assertion(client, audience, id, address string, now time.Time) (string, error) {
	claims, err := jwt.NewBuilder().Issuer(client).Subject(client).Audience([]string{audience}).JwtID(id).
		IssuedAt(now).Expiration(now.Add(assertionTime)).Build()
	if err != nil {
		return "", err
	}
	claims.Options().Enable(jwt.FlattenAudience)
	header := jws.NewHeaders()
	faults := []error{header.Set(jws.TypeKey, "JWT"), header.Set(jws.KeyIDKey, k.kid)}
	if address != "" {
		faults = append(faults, header.Set(jws.JWKSetURLKey, address))
	}
	if err := errors.Join(faults...); err != nil {
		return "", err
	}
	signed, err := jwt.Sign(claims, jwt.WithKey(k.alg, k.private, jws.WithProtectedHeaders(header)))
	return string(signed), err
}
