package worker

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/riverqueue/river"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/writeback"
)

// converger is what a writer needs of the write-back.
type converger interface {
	Converge(ctx context.Context, key string, version int64) error
	Look(ctx context.Context, key string) error
}

type writer struct {
	river.WorkerDefaults[jobs.WriteBack]
	c         Config
	converger converger // nil where no record is configured

	mu sync.Mutex
	// told holds the referrals of which the log says that they wait for a token, so that it says so once.
	told map[string]bool
}

func newWriter(c Config) *writer {
	w := &writer{c: c, told: map[string]bool{}}
	if c.Converger != nil {
		w.converger = c.Converger
	}
	return w
}

// Work converges one referral. What a person must look at ends the job; what passes is put off.
func (w *writer) Work(ctx context.Context, job *river.Job[jobs.WriteBack]) error {
	if w.converger == nil {
		return nil // no record: the referral waits as unwritten until one is configured
	}
	var err error
	if job.Args.Look {
		err = w.converger.Look(ctx, job.Args.Key)
	} else {
		err = w.converger.Converge(ctx, job.Args.Key, job.Args.Version)
	}
	var later *writeback.Later
	postponed := errors.As(err, &later)
	if postponed && w.c.TokenRefused(later.Err) {
		w.tellUnauthorised(ctx, job.Args.Key, later.After)
		return river.JobSnooze(later.After)
	}
	if !postponed {
		w.forgetUnauthorised(job.Args.Key)
	}
	switch {
	case err == nil, errors.Is(err, fault.NotFound), errors.Is(err, fault.Superseded):
		return nil
	case postponed:
		return river.JobSnooze(later.After)
	case errors.Is(err, fault.Refused) && errors.Is(err, fault.Invalid):
		// The record was never asked, so neither the log nor the queue may say that it refused.
		err = fmt.Errorf("write back (%s): %w", writeback.AttentionUnreadable, withoutRefusal(err))
		w.c.Log.WarnContext(ctx, "a referral needs attention: it cannot be composed, and was not sent", "referral", job.Args.Key, "reason", err.Error())
		return river.JobCancel(err)
	case errors.Is(err, fault.Refused):
		// The text names a kind of resource and a status at most; the key is ours.
		w.c.Log.WarnContext(ctx, "a referral needs attention: it could not be written", "referral", job.Args.Key, "reason", err.Error())
		return river.JobCancel(err)
	}
	return err
}

// withoutRefusal gives what an error wraps beside fault.Refused; the error itself where it wraps nothing else.
func withoutRefusal(err error) error {
	var several interface{ Unwrap() []error }
	if !errors.As(err, &several) {
		return err
	}
	for _, e := range several.Unwrap() {
		if !errors.Is(e, fault.Refused) {
			return e
		}
	}
	return err
}

// tellUnauthorised says once for each referral that it waits for a token.
func (w *writer) tellUnauthorised(ctx context.Context, key string, pause time.Duration) {
	w.mu.Lock()
	told := w.told[key]
	w.told[key] = true
	w.mu.Unlock()
	if !told {
		w.c.Log.WarnContext(ctx, fmt.Sprintf("a referral waits: unauthorised, next try in %.0fm; a restart tries at once", pause.Minutes()), "referral", key)
	}
}

func (w *writer) forgetUnauthorised(key string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.told, key)
}
