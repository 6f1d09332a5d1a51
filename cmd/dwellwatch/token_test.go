package main

import (
	"bytes"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/policy"
)

// guard stands before the peer and answers 401 to what a token may not do.
type guard struct {
	next http.Handler
	may  func(r *http.Request, token string) bool
}

func (g guard) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !g.may(r, strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")) {
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	g.next.ServeHTTP(w, r)
}

// guarded gives the base URL of the peer behind a guard.
func guarded(t *testing.T, peer *peertest.Peer, may func(r *http.Request, token string) bool) string {
	t.Helper()
	base, err := url.Parse(peer.BaseURL)
	if err != nil {
		t.Fatal(err)
	}
	origin := *base
	origin.Path = ""
	front := httptest.NewServer(guard{httputil.NewSingleHostReverseProxy(&origin), may})
	t.Cleanup(front.Close)
	return front.URL + base.Path
}

// lockedLog is a log that the service and the test may use at once.
type lockedLog struct {
	mu  sync.Mutex
	out bytes.Buffer
}

func (l *lockedLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.out.Write(b)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.out.String()
}

// withToken starts the service with a token.
func withToken(t *testing.T, database, record, token string) (*program, *lockedLog) {
	t.Helper()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	log := &lockedLog{}
	s := settings{basis: assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC}, now: time.Now, log: slog.New(slog.NewTextHandler(log, nil))}
	s.DatabaseURL, s.RecordURL, s.RecordToken, s.RecordTimeout = database, record, token, 5*time.Second
	p, err := start(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	return p, log
}

// shows waits until the service's metrics hold every line.
func shows(t *testing.T, p *program, lines ...string) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		rec := httptest.NewRecorder()
		p.handler.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://127.0.0.1/metrics", nil))
		missing := ""
		for _, l := range lines {
			if !strings.Contains(rec.Body.String(), "\n"+l+"\n") {
				missing = l
			}
		}
		if missing == "" {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("no line %q in the metrics:\n%s", missing, rec.Body)
		}
	}
}

// place sends one placement through the door.
func place(t *testing.T, p *program) {
	t.Helper()
	send := httptest.NewRequestWithContext(t.Context(), http.MethodPut, "http://127.0.0.1/fhir/Procedure/p", strings.NewReader(
		`{"resourceType":"Procedure","id":"p","status":"completed","code":{"coding":[{"system":"http://snomed.info/sct","code":"397913009"}]},"subject":{"reference":"Patient/n1"},"performedDateTime":"2025-02-01"}`))
	send.Header.Set("Content-Type", "application/fhir+json")
	answer := httptest.NewRecorder()
	if p.handler.ServeHTTP(answer, send); answer.Code != http.StatusCreated {
		t.Fatalf("the door answered %d: %s", answer.Code, answer.Body)
	}
}

// TestRecordThatRefusesTheTokenIsSeen: nothing is drafted and nothing can be read, and an operator is told so.
func TestRecordThatRefusesTheTokenIsSeen(t *testing.T) {
	t.Parallel()
	record := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnauthorized) }))
	t.Cleanup(record.Close)
	p, log := withToken(t, dbtest.URL(t), record.URL, "geheim")
	t.Cleanup(p.close)
	place(t, p)
	shows(t, p, "dwellwatch_record_up 1", "dwellwatch_record_unauthorised 1", "dwellwatch_pulls_waiting 1", `dwellwatch_referrals_waiting{change="open"} 0`)
	if text := log.String(); strings.Count(text, "the record does not accept the token") != 1 || strings.Contains(text, "a job failed") || strings.Contains(text, "geheim") {
		t.Errorf("log:\n%s", text)
	}
	rec := httptest.NewRecorder()
	p.handler.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://127.0.0.1/metrics", nil))
	if strings.Contains(rec.Body.String(), "\ndwellwatch_record_since_answer_seconds ") {
		t.Error("a 401 counts as a good answer")
	}
}

// TestNewTokenWritesAtOnce: a token that may read and not write leaves the referral waiting; a restart with another one does not.
func TestNewTokenWritesAtOnce(t *testing.T) {
	t.Parallel()
	peer, database := peertest.Start(t), dbtest.URL(t)
	send(t, http.MethodPut, peer.BaseURL+"/Patient/n1", []byte(`{"resourceType":"Patient","id":"n1"}`))
	record := guarded(t, peer, func(r *http.Request, token string) bool {
		return token == "new" || token == "old" && (r.Method == http.MethodGet || strings.HasSuffix(r.URL.Path, "/_search"))
	})
	p, log := withToken(t, database, record, "old")
	place(t, p)
	shows(t, p, `dwellwatch_referrals_attention{code="unauthorised"} 1`, `dwellwatch_queue_jobs{kind="write_back",state="scheduled"} 1`, "dwellwatch_pulls_waiting 0")
	p.close()
	if text := log.String(); strings.Count(text, "a referral waits: unauthorised, next try in 15m") != 1 {
		t.Errorf("log:\n%s", text)
	}
	p, _ = withToken(t, database, record, "new")
	t.Cleanup(p.close)
	shows(t, p, `dwellwatch_referrals_attention{code="unauthorised"} 0`, `dwellwatch_referrals_waiting{change="open"} 0`, "dwellwatch_record_unauthorised 0")
	tasks := 0
	for _, raw := range peer.Search(t, "Task?_count=500") {
		if gjson.GetBytes(raw, `identifier.#(system=="urn:dwellwatch:referral").value`).Exists() {
			tasks++
		}
	}
	if tasks != 1 {
		t.Errorf("%d Tasks of ours in the record, want 1", tasks)
	}
}
