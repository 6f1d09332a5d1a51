package rest

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"strings"
	"testing"
)

// TestAKeyThatWillNotDoIsNamed: the error says what is the matter with this key.
func TestAKeyThatWillNotDoIsNamed(t *testing.T) {
	t.Parallel()
	short, err := rsa.GenerateKey(rand.Reader, 1024) //nolint:gosec // the point of it
	if err != nil {
		t.Fatal(err)
	}
	small, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	good, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	private := func(k crypto.PrivateKey) []byte {
		der, err := x509.MarshalPKCS8PrivateKey(k)
		if err != nil {
			t.Fatal(err)
		}
		return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})
	}
	der, err := x509.MarshalPKIXPublicKey(good.Public())
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		text []byte
		want string
	}{
		"short RSA":          {private(short), "an RSA key of 1024 bits, and it takes 2048"},
		"short RSA, PKCS #1": {pem.EncodeToMemory(&pem.Block{Type: "RSA PRIVATE KEY", Bytes: x509.MarshalPKCS1PrivateKey(short)}), "an RSA key of 1024 bits, and it takes 2048"},
		"short RSA, JWK":     {[]byte(`{"kty":"RSA","e":"AQAB","n":"` + base64.RawURLEncoding.EncodeToString(short.N.Bytes()) + `","d":"` + base64.RawURLEncoding.EncodeToString(short.D.Bytes()) + `"}`), "an RSA key of 1024 bits, and it takes 2048"},
		"another curve":      {private(small), "a key on the curve P-256, and it takes P-384"},
		"public":             {pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), "a public key, and it takes the private one"},
		"no key":             {[]byte("x"), "not a key in PEM or as a JWK"},
	} {
		if _, err := ReadKey(c.text); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
	}
}
