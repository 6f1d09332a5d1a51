package postgres

import (
	"bytes"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/fault"
)

func TestSessionsEnd(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	digest := bytes.Repeat([]byte{7}, 32)
	want := Session{Subject: "s-1", Name: "Ada", Practitioner: "Practitioner/7", Roles: []string{"viewer", "clinician"}, StartedAt: b.now, EndsAt: b.now.Add(3 * time.Hour)}
	if err := b.StartSession(t.Context(), digest, want); err != nil {
		t.Fatal(err)
	}
	read := func(after time.Duration) error {
		got, err := b.Session(t.Context(), digest, b.now.Add(after), time.Hour)
		if err == nil {
			got.StartedAt, got.EndsAt = got.StartedAt.UTC(), got.EndsAt.UTC()
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("after %s (-want +got):\n%s", after, diff)
			}
		}
		return err
	}
	for _, after := range []time.Duration{0, 59 * time.Minute, 118 * time.Minute, 177 * time.Minute} {
		if err := read(after); err != nil {
			t.Errorf("used after %s: %v", after, err)
		}
	}
	if err := read(180 * time.Minute); !errors.Is(err, fault.NotFound) {
		t.Errorf("at its end: %v", err)
	}
	if err := read(238 * time.Minute); !errors.Is(err, fault.NotFound) {
		t.Errorf("idle: %v", err)
	}
	if err := b.EndSession(t.Context(), digest); err != nil {
		t.Fatal(err)
	}
	if err := read(178 * time.Minute); !errors.Is(err, fault.NotFound) {
		t.Errorf("ended: %v", err)
	}
	if err := b.EndSession(t.Context(), digest); err != nil {
		t.Errorf("ended twice: %v", err)
	}
}

func TestIdleSessionsEnd(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	digest := bytes.Repeat([]byte{7}, 32)
	if err := b.StartSession(t.Context(), digest, Session{Subject: "s-1", StartedAt: b.now, EndsAt: b.now.Add(12 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Session(t.Context(), digest, b.now.Add(time.Hour), time.Hour); !errors.Is(err, fault.NotFound) {
		t.Errorf("after an hour without a request: %v", err)
	}
}

// TestATokenCountsOnceOverReplicas: two stores on one database are two replicas.
func TestATokenCountsOnceOverReplicas(t *testing.T) {
	t.Parallel()
	url := dbtest.URL(t)
	var replicas []*Store
	for range 2 {
		s, err := Open(t.Context(), url, Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.Close)
		replicas = append(replicas, s)
	}
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	const callers = 16
	results := make(chan bool, callers)
	for i := range callers {
		go func() {
			first, err := replicas[i%2].FirstUse(t.Context(), "https://ehr.example", "id-1", now, now.Add(time.Hour))
			if err != nil {
				t.Error(err)
			}
			results <- first
		}()
	}
	count := 0
	for range callers {
		if <-results {
			count++
		}
	}
	if count != 1 {
		t.Errorf("%d of %d callers were the first", count, callers)
	}
	for _, other := range [][2]string{{"https://ehr.example", "id-2"}, {"https://other.example", "id-1"}} {
		if first, err := replicas[0].FirstUse(t.Context(), other[0], other[1], now, now.Add(time.Hour)); err != nil || !first {
			t.Errorf("%v: %v %v", other, first, err)
		}
	}
}

func TestWhatIsOverIsForgotten(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for i := range 25 {
		at := b.now.Add(time.Duration(i) * time.Hour)
		if _, err := b.FirstUse(t.Context(), "i", fmt.Sprint(i), at, at.Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		if err := b.StartSession(t.Context(), bytes.Repeat([]byte{byte(i)}, 32), Session{Subject: "s", StartedAt: at, EndsAt: at.Add(time.Minute)}); err != nil {
			t.Fatal(err)
		}
	}
	const count = `SELECT (SELECT count(*) FROM token_used), (SELECT count(*) FROM session)`
	var tokens, sessions int
	if err := b.Pool().QueryRow(t.Context(), count).Scan(&tokens, &sessions); err != nil {
		t.Fatal(err)
	}
	if tokens != 1 || sessions != 1 {
		t.Errorf("%d tokens and %d sessions are kept, want the newest of each", tokens, sessions)
	}
}
