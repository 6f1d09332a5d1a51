package auth

import "testing"

func TestTokenAllows(t *testing.T) {
	t.Parallel()
	for header, want := range map[string]bool{
		"Bearer s3cret":   true,
		"bearer s3cret":   true,
		"BEARER  s3cret":  true,
		"Bearer s3cret ":  false,
		"Bearer S3cret":   false,
		"Bearer s3cre":    false,
		"Bearer s3crets":  false,
		"Bearer":          false,
		"Bearer ":         false,
		"":                false,
		"s3cret":          false,
		"Basic s3cret":    false,
		"Bearer\ts3cret":  false,
		"Bearer s3cret,x": false,
	} {
		if got := NewToken("s3cret").Allows(header); got != want {
			t.Errorf("%q: got %v, want %v", header, got, want)
		}
	}
}

func TestNoSecretLetsNobodyIn(t *testing.T) {
	t.Parallel()
	for _, token := range []Token{{}, NewToken("")} {
		for _, header := range []string{"", "Bearer", "Bearer ", "Bearer x"} {
			if token.Allows(header) {
				t.Errorf("%q is let in", header)
			}
		}
	}
}

func TestCheckListen(t *testing.T) {
	t.Parallel()
	for addr, open := range map[string]bool{
		"127.0.0.1:8080": true, "localhost:0": true, "[::1]:80": true, "127.9.9.9:1": true, "[::ffff:127.0.0.1]:1": true,
		":8080": false, "0.0.0.0:8080": false, "[::]:80": false, "10.0.0.4:80": false, "record.example:80": false,
		"localhost.example:80": false,
	} {
		if err := CheckListen(addr, false); (err == nil) != open {
			t.Errorf("%s without a token: %v", addr, err)
		}
		if err := CheckListen(addr, true); err != nil {
			t.Errorf("%s with a token: %v", addr, err)
		}
	}
	if CheckListen("127.0.0.1", true) == nil {
		t.Error("an address without a port is taken")
	}
}

func TestLocalHost(t *testing.T) {
	t.Parallel()
	for header, want := range map[string]bool{
		"localhost": true, "localhost:8080": true, "127.0.0.1:1": true, "127.0.0.1": true, "[::1]:8080": true, "[::1]": true,
		"": false, "rebound.example": false, "rebound.example:8080": false, "localhost.rebound.example": false, "10.0.0.4:80": false,
		"127.0.0.1.rebound.example:80": false,
	} {
		if got := LocalHost(header); got != want {
			t.Errorf("%q: got %v, want %v", header, got, want)
		}
	}
}
