package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/postgres"
)

// exposed reads metrics in the text format, without the lines that are 0.
func exposed(t *testing.T, h http.Handler) []string {
	t.Helper()
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://127.0.0.1/metrics", nil))
	if rec.Code != http.StatusOK {
		t.Fatalf("metrics answered %d: %s", rec.Code, rec.Body)
	}
	lines := []string{}
	for line := range strings.Lines(rec.Body.String()) {
		if line = strings.TrimSpace(line); !strings.HasPrefix(line, "#") && !strings.HasSuffix(line, " 0") {
			lines = append(lines, line)
		}
	}
	return lines
}

func gathered(t *testing.T, g *gauges) http.Handler {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	if err := r.Register(g); err != nil {
		t.Fatal(err)
	}
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{})
}

func TestGaugesTellWhatWaits(t *testing.T) {
	t.Parallel()
	read := func(context.Context) (postgres.Gauges, error) {
		return postgres.Gauges{ToOpen: 3, ToClose: 2, OldestWaiting: 90 * time.Second, Pulls: 6, OldestPull: time.Minute, Quarantine: 4,
			Attention: map[string]int{"refused": 2, "Patient/secret": 1, "Patient/other": 1},
			Queue:     []postgres.QueueCount{{Kind: "write_back", State: "retryable", Number: 5}, {Kind: "someone's", State: "running", Number: 1}, {Kind: "else", State: "running", Number: 1}}}, nil
	}
	want := []string{
		"dwellwatch_database_up 1",
		"dwellwatch_pulls_oldest_waiting_seconds 60",
		"dwellwatch_pulls_waiting 6",
		"dwellwatch_quarantine_entries 4",
		`dwellwatch_queue_jobs{kind="other",state="running"} 2`,
		`dwellwatch_queue_jobs{kind="write_back",state="retryable"} 5`,
		`dwellwatch_referrals_attention{code="other"} 2`,
		`dwellwatch_referrals_attention{code="refused"} 2`,
		`dwellwatch_referrals_waiting{change="close"} 2`,
		`dwellwatch_referrals_waiting{change="open"} 3`,
		"dwellwatch_writeback_oldest_waiting_seconds 90",
	}
	if diff := cmp.Diff(want, exposed(t, gathered(t, newGauges(read, nil, slog.New(slog.DiscardHandler))))); diff != "" {
		t.Errorf("metrics (-want +got):\n%s", diff)
	}
}

// TestGaugesWithoutDatabase: what does not come from the database is told all the same.
func TestGaugesWithoutDatabase(t *testing.T) {
	t.Parallel()
	w := watch(t)
	w.ask(0, 200)
	w.at = w.at.Add(30 * time.Second)
	read := func(context.Context) (postgres.Gauges, error) { return postgres.Gauges{}, errors.New("away") }
	var log strings.Builder
	want := []string{"dwellwatch_record_since_answer_seconds 30", "dwellwatch_record_up 1"}
	if diff := cmp.Diff(want, exposed(t, gathered(t, newGauges(read, w.reach, slog.New(slog.NewTextHandler(&log, nil)))))); diff != "" {
		t.Errorf("metrics (-want +got):\n%s", diff)
	}
	if !strings.Contains(log.String(), "level=WARN") {
		t.Errorf("log %q, want a warning", log.String())
	}
}

// TestMetricsOfTheService runs the real service beside a record that is away and looks at /metrics through the door.
func TestMetricsOfTheService(t *testing.T) {
	t.Parallel()
	record := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusServiceUnavailable)
	}))
	t.Cleanup(record.Close)
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	s := settings{basis: assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC}, now: time.Now, log: slog.New(slog.DiscardHandler)}
	s.DatabaseURL, s.RecordURL, s.RecordTimeout = dbtest.URL(t), record.URL, time.Second
	p, err := start(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.close)
	send := httptest.NewRequestWithContext(t.Context(), http.MethodPut, "http://127.0.0.1/fhir/Procedure/p", strings.NewReader(
		`{"resourceType":"Procedure","id":"p","status":"completed","code":{"coding":[{"system":"http://snomed.info/sct","code":"397913009"}]},"subject":{"reference":"Patient/secret"},"performedDateTime":"2025-02-01"}`))
	send.Header.Set("Content-Type", "application/fhir+json")
	answer := httptest.NewRecorder()
	if p.handler.ServeHTTP(answer, send); answer.Code != http.StatusCreated {
		body, _ := io.ReadAll(answer.Body)
		t.Fatalf("the door answered %d: %s", answer.Code, body)
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if p.reach.state().Tried {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the record was never asked")
		}
	}
	rec := httptest.NewRecorder()
	p.handler.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://127.0.0.1/metrics", nil))
	text := rec.Body.String()
	for _, want := range []string{
		`(?m)^dwellwatch_record_up 0$`, `(?m)^dwellwatch_record_unauthorised 0$`, `(?m)^dwellwatch_pulls_waiting 1$`, `(?m)^dwellwatch_database_up 1$`, `(?m)^dwellwatch_referrals_waiting\{change="open"\} 0$`,
		`(?m)^dwellwatch_queue_jobs\{kind="pull_context",state="(available|running|retryable)"\} 1$`,
		`(?m)^dwellwatch_delivered_resources_total\{fate="created",type="Procedure"\} 1$`,
	} {
		if !regexp.MustCompile(want).MatchString(text) {
			t.Errorf("no line %s in the metrics:\n%s", want, text)
		}
	}
	if strings.Contains(text, "secret") {
		t.Error("the metrics name a patient")
	}
}

// TestREADMENamesEveryMetric compares the README's table with what the service exposes, both ways.
func TestREADMENamesEveryMetric(t *testing.T) {
	t.Parallel()
	ch := make(chan *prometheus.Desc, 50)
	newGauges(nil, nil, nil).Describe(ch)
	close(ch)
	inCode := map[string]bool{"dwellwatch_http_requests_total": true, "dwellwatch_http_request_seconds": true, "dwellwatch_delivered_resources_total": true}
	for d := range ch {
		inCode[regexp.MustCompile(`fqName: "(\w+)"`).FindStringSubmatch(d.String())[1]] = true
	}
	inReadme := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `(dwellwatch_[a-z_]+)").FindAllStringSubmatch(readme(t), -1) {
		inReadme[m[1]] = true
	}
	if diff := cmp.Diff(inCode, inReadme); diff != "" {
		t.Errorf("metrics (-code +README):\n%s", diff)
	}
}
