package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/writeback"
)

// converges is a write-back that ends with one error.
type converges struct{ err error }

func (c *converges) Converge(context.Context, string, int64) error { return c.err }

// Look ends as Converge does.
func (c *converges) Look(context.Context, string) error { return c.err }

// tried is a writer over a write-back and a log of the test's own.
type tried struct {
	*writer
	back *converges
	log  bytes.Buffer
}

func writes() *tried {
	w := &tried{back: &converges{}}
	w.writer = newWriter(Config{Log: slog.New(slog.NewTextHandler(&w.log, nil)), TokenRefused: func(err error) bool { return errors.Is(err, errToken) }})
	w.converger = w.back
	return w
}

// try works one job for the key and gives the error and the new lines of the log.
func (w *tried) try(t *testing.T, key string, err error) (string, error) {
	t.Helper()
	w.log.Reset()
	w.back.err = err
	got := w.Work(t.Context(), &river.Job[jobs.WriteBack]{JobRow: &rivertype.JobRow{}, Args: jobs.WriteBack{Key: key, Version: 1}})
	return w.log.String(), got
}

func TestUnauthorisedReferralIsToldOnce(t *testing.T) {
	t.Parallel()
	w := writes()
	refused := &writeback.Later{After: 15 * time.Minute, Err: errToken}
	for i, step := range []struct {
		key  string
		err  error
		told bool
	}{
		{"k1", refused, true},
		{"k1", refused, false},
		{"k2", refused, true},
		{"k1", &writeback.Later{After: time.Minute, Err: fault.Unavailable}, false}, // away in between
		{"k1", refused, false},
		{"k1", nil, false}, // written
		{"k1", refused, true},
	} {
		log, got := w.try(t, step.key, step.err)
		want := ""
		if step.told {
			want = "unauthorised, next try in 15m"
		}
		if step.told != (log != "") || !strings.Contains(log, want) || step.told && (!strings.Contains(log, "referral="+step.key) || !strings.Contains(log, "level=WARN")) {
			t.Errorf("step %d: log %q, want %q", i, log, want)
		}
		var snooze *rivertype.JobSnoozeError
		if step.err != nil && !errors.As(got, &snooze) {
			t.Errorf("step %d: the job ended with %v, want it put off", i, got)
		}
		if errors.Is(step.err, refused) && snooze != nil && snooze.Duration != 15*time.Minute {
			t.Errorf("step %d: put off for %s", i, snooze.Duration)
		}
	}
}

func TestAttentionSaysWhoRefused(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err       error
		want, not string
	}{
		"the record": {
			fmt.Errorf("write back (refused): %w: %w", fault.Refused, fmt.Errorf("Task: the record answered 422: %w", fault.Refused)),
			"the record answered 422", "composed"},
		"nobody: it cannot be composed": {
			fmt.Errorf("write back (unreadable): %w: %w", fault.Refused, fmt.Errorf("saved document: %w", fault.Invalid)),
			"write back (unreadable): saved document: invalid input", "refused by the record"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			log, got := writes().try(t, "k", c.err)
			var cancelled *rivertype.JobCancelError
			if !errors.As(got, &cancelled) {
				t.Fatalf("the job ended with %v, want it cancelled", got)
			}
			for where, text := range map[string]string{"log": log, "queue": got.Error()} {
				if !strings.Contains(text, c.want) || strings.Contains(text, c.not) {
					t.Errorf("%s %q, want %q and not %q", where, text, c.want, c.not)
				}
			}
			if !strings.Contains(log, "level=WARN") || !strings.Contains(log, "referral=k") {
				t.Errorf("log %q", log)
			}
		})
	}
}
