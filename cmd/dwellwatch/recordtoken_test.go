package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/lestrrat-go/jwx/v3/jwk"
	"github.com/lestrrat-go/jwx/v3/jwt"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/policy"
)

// keyFile writes a fresh private key and gives its path.
func keyFile(t *testing.T) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	body, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "key.pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: body}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestTheRecordIsAskedWithTokensOfItsOwn: the service proves who it is by a key that it shows itself, and asks the record with what it is
// given; where it is given nothing any more, the metrics say so as for any token that is refused.
func TestTheRecordIsAskedWithTokensOfItsOwn(t *testing.T) {
	t.Parallel()
	var keys atomic.Value // what the service shows
	var tokens, reads atomic.Int64
	var closed atomic.Bool
	var url string
	mux := http.NewServeMux()
	mux.HandleFunc("GET /fhir/.well-known/smart-configuration", func(w http.ResponseWriter, _ *http.Request) {
		_ = json.NewEncoder(w).Encode(map[string]string{"token_endpoint": url + "/token"})
	})
	mux.HandleFunc("POST /token", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		set, err := jwk.Parse(keys.Load().([]byte))
		if err == nil {
			_, err = jwt.ParseString(r.PostFormValue("client_assertion"), jwt.WithKeySet(set), jwt.WithIssuer("us"), jwt.WithSubject("us"), jwt.WithAudience(url+"/token"))
		}
		if err != nil || closed.Load() || !strings.Contains(r.PostFormValue("scope"), "system/Task.crus") {
			if err != nil {
				t.Error(err)
			}
			w.WriteHeader(http.StatusUnauthorized)
			fmt.Fprint(w, `{"error":"invalid_client"}`)
			return
		}
		fmt.Fprintf(w, `{"access_token":"token-%d","token_type":"bearer","expires_in":300}`, tokens.Add(1))
	})
	mux.HandleFunc("/fhir/", func(w http.ResponseWriter, r *http.Request) {
		if closed.Load() || r.Header.Get("Authorization") != fmt.Sprint("Bearer token-", tokens.Load()) {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		reads.Add(1)
		w.Header().Set("Content-Type", "application/fhir+json")
		if strings.Count(r.URL.Path, "/") > 2 && !strings.HasSuffix(r.URL.Path, "_search") {
			w.WriteHeader(http.StatusNotFound)
			fmt.Fprint(w, `{"resourceType":"OperationOutcome"}`)
			return
		}
		fmt.Fprint(w, `{"resourceType":"Bundle","type":"searchset"}`)
	})
	record := httptest.NewServer(mux)
	t.Cleanup(record.Close)
	url = record.URL

	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	log := &lockedLog{}
	s := settings{basis: assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC}, now: time.Now, log: slog.New(slog.NewTextHandler(log, nil))}
	s.DatabaseURL, s.RecordURL, s.RecordTimeout = dbtest.URL(t), url+"/fhir", 5*time.Second
	s.RecordClientID, s.RecordKey, s.RecordOtherKey = "us", keyFile(t), keyFile(t)
	// The keys are there before anything is asked.
	other, err := (&program{settings: s}).publicKeys()
	if err != nil {
		t.Fatal(err)
	}
	keys.Store(other)
	p, err := start(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.close)
	w := httptest.NewRecorder()
	p.handler.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://127.0.0.1/.well-known/jwks.json", nil))
	set, err := jwk.Parse(w.Body.Bytes())
	if err != nil || set.Len() != 2 || w.Body.String() != string(other) {
		t.Fatalf("%v: %s", err, w.Body)
	}
	place(t, p)
	shows(t, p, "dwellwatch_record_up 1", "dwellwatch_record_unauthorised 0", "dwellwatch_pulls_waiting 0")
	if reads.Load() == 0 || tokens.Load() != 1 {
		t.Errorf("%d reads with %d tokens", reads.Load(), tokens.Load())
	}
	closed.Store(true)
	again := httptest.NewRequestWithContext(t.Context(), http.MethodPut, "http://127.0.0.1/fhir/Procedure/q", strings.NewReader(placement("q")))
	again.Header.Set("Content-Type", "application/fhir+json")
	w = httptest.NewRecorder()
	p.handler.ServeHTTP(w, again)
	if w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	shows(t, p, "dwellwatch_record_up 1", "dwellwatch_record_unauthorised 1")
	if text := log.String(); !strings.Contains(text, "record gives us no access token") || strings.Contains(text, "token-1") || strings.Contains(text, "PRIVATE") {
		t.Errorf("log:\n%s", text)
	}
}
