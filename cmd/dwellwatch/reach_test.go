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
	// token is the Authorization header of the requests.
	token string
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
	if w.token != "" {
		req.Header.Set("Authorization", w.token)
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
	w := watch(t)
	want := func(s reached) {
		t.Helper()
		if diff := cmp.Diff(s, w.state()); diff != "" {
			t.Errorf("state (-want +got):\n%s", diff)
		}
	}
	want(reached{})
	w.ask(0, 0)
	want(reached{Tried: true})
	w.ask(time.Second, 200)
	want(reached{Tried: true, Up: true, Ever: true})
	w.ask(90*time.Second, 503)
	want(reached{Tried: true, Ever: true, Since: 90 * time.Second})

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
	want(reached{Tried: true, Up: true, Ever: true})
}

func TestRefusedTokenIsToldOnceAMinute(t *testing.T) {
	t.Parallel()
	const refused = "level=WARN msg=\"the record does not accept the token;"
	w := watch(t)
	w.token = "Bearer old"
	for i, step := range []struct {
		pause  time.Duration
		status int
		log    string // what the new log line says; "" for none
		want   reached
	}{
		{0, 401, refused, reached{Tried: true, Up: true, Refused: true}},
		{59 * time.Second, 401, "", reached{Tried: true, Up: true, Refused: true}},
		{time.Second, 401, refused, reached{Tried: true, Up: true, Refused: true}},
		{time.Second, 200, "level=INFO msg=\"the record accepts the token again\"", reached{Tried: true, Up: true, Ever: true}},
		// A type that we may not read says nothing about the token.
		{30 * time.Second, 403, "", reached{Tried: true, Up: true, Ever: true, Since: 30 * time.Second}},
		{29 * time.Second, 403, "", reached{Tried: true, Up: true, Ever: true, Since: 59 * time.Second}},
		// A record that answers nothing else for a minute does.
		{time.Second, 403, refused, reached{Tried: true, Up: true, Refused: true, Ever: true, Since: time.Minute}},
		{time.Second, 503, "level=WARN msg=\"the record cannot be reached;", reached{Tried: true, Refused: true, Ever: true, Since: 61 * time.Second}},
		{time.Second, 401, "level=INFO msg=\"the record answers again\"", reached{Tried: true, Up: true, Refused: true, Ever: true, Since: 62 * time.Second}},
	} {
		w.ask(step.pause, step.status)
		if got := w.log.String(); step.log == "" && got != "" || !strings.Contains(got, step.log) || strings.Count(got, "\n") > 1 {
			t.Errorf("step %d: log %q, want %q", i, got, step.log)
		}
		if strings.Contains(w.log.String(), "old") {
			t.Errorf("step %d: the log shows the token", i)
		}
		if diff := cmp.Diff(step.want, w.state()); diff != "" {
			t.Errorf("step %d: state (-want +got):\n%s", i, diff)
		}
	}
}

func TestMissingTokenIsTold(t *testing.T) {
	t.Parallel()
	w := watch(t)
	w.ask(0, 401)
	if got := w.log.String(); !strings.Contains(got, "none is set") || !strings.Contains(got, "DWELLWATCH_RECORD_TOKEN") {
		t.Errorf("log %q", got)
	}
}

// TestAnAnswerOnItsWayDoesNotEndTheRefusal: a request that was asked before the token was refused is answered well after it.
func TestAnAnswerOnItsWayDoesNotEndTheRefusal(t *testing.T) {
	t.Parallel()
	w := watch(t)
	w.ask(0, 200)
	asked := w.at
	if got := w.ask(time.Second, 401); strings.Join(got, " ") != "WARN" {
		t.Errorf("refused: %v", got)
	}
	w.log.Reset()
	w.at = w.at.Add(time.Millisecond)
	w.here(t.Context(), asked, http.StatusOK, true)
	if !w.state().Refused || w.log.Len() > 0 {
		t.Errorf("an old answer ended the refusal: %+v %s", w.state(), &w.log)
	}
	if got := w.ask(time.Second, 200); strings.Join(got, " ") != "INFO" || w.state().Refused {
		t.Errorf("a new answer: %v %+v", got, w.state())
	}
}
