package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// saying is a transport that answers with one status, or not at all for 0.
type saying struct{ status int }

func (s *saying) RoundTrip(r *http.Request) (*http.Response, error) {
	if s.status == 0 {
		return nil, errors.New("no route to https://record.example.org/fhir/Patient/secret")
	}
	return &http.Response{StatusCode: s.status, Body: http.NoBody, Request: r}, nil
}

// watched is a reach over a transport of our own, with a clock and a log that the test holds.
type watched struct {
	*reach
	t    *testing.T
	says *saying
	at   time.Time
	log  bytes.Buffer
}

func watch(t *testing.T) *watched {
	t.Helper()
	w := &watched{t: t, says: &saying{}, at: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	w.reach = newReach(w.says, func() time.Time { return w.at }, slog.New(slog.NewTextHandler(&w.log, nil)))
	return w
}

// ask sends one request after a pause, and gives the levels of the log's new lines.
func (w *watched) ask(pause time.Duration, status int) []string {
	w.t.Helper()
	w.log.Reset()
	w.at, w.says.status = w.at.Add(pause), status
	req, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, "https://record.example.org/fhir/Patient/secret", nil)
	if err != nil {
		w.t.Fatal(err)
	}
	if resp, err := w.RoundTrip(req); err == nil {
		resp.Body.Close()
	}
	if strings.Contains(w.log.String(), "record.example.org") || strings.Contains(w.log.String(), "secret") {
		w.t.Errorf("the log shows an address: %s", &w.log)
	}
	levels := []string{}
	for _, l := range []string{"WARN", "INFO"} {
		for range strings.Count(w.log.String(), "level="+l) {
			levels = append(levels, l)
		}
	}
	return levels
}

func TestRecordAwayIsWarnedOfOnceAMinute(t *testing.T) {
	t.Parallel()
	w := watch(t)
	for i, step := range []struct {
		pause  time.Duration
		status int
		want   []string
	}{
		{0, 200, []string{}},
		{time.Second, 0, []string{"WARN"}},
		{time.Second, 503, []string{}},
		{57 * time.Second, 0, []string{}},
		{time.Second, 504, []string{}},
		{time.Second, 502, []string{"WARN"}}, // 60 seconds after the first
		{time.Second, 404, []string{"INFO"}}, // an answer, if not a welcome one
		{time.Second, 0, []string{}},         // flapping is told once a minute, too
		{time.Second, 200, []string{}},
		{2 * time.Minute, 0, []string{"WARN"}},
		{time.Second, 500, []string{"INFO"}},
	} {
		if diff := cmp.Diff(step.want, w.ask(step.pause, step.status)); diff != "" {
			t.Errorf("step %d (-want +got):\n%s", i, diff)
		}
	}
}

func TestRecordStateIsThatOfTheLastTry(t *testing.T) {
	t.Parallel()
	type state struct {
		Tried, Up, Ever bool
		Since           time.Duration
	}
	w := watch(t)
	want := func(s state) {
		t.Helper()
		var got state
		got.Tried, got.Up, got.Ever, got.Since = w.state()
		if diff := cmp.Diff(s, got); diff != "" {
			t.Errorf("state (-want +got):\n%s", diff)
		}
	}
	want(state{})
	w.ask(0, 0)
	want(state{Tried: true})
	w.ask(time.Second, 200)
	want(state{true, true, true, 0})
	w.ask(90*time.Second, 503)
	want(state{true, false, true, 90 * time.Second})

	// A request that we called off ourselves says nothing.
	w.ask(time.Second, 200)
	called, off := context.WithCancel(t.Context())
	off()
	req, err := http.NewRequestWithContext(called, http.MethodGet, "https://record.example.org/fhir", nil)
	if err != nil {
		t.Fatal(err)
	}
	w.says.status = 0
	if _, err := w.RoundTrip(req); err == nil {
		t.Fatal("the transport answered")
	}
	want(state{true, true, true, 0})
}
