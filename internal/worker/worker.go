// Package worker does the queued work: assess a person, converge a referral in the record, pull a context, sweep the day,
// erase. Every job may run twice or at the same time as another. It must never put patient data into an error or a log:
// the queue shows both.
package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/feed"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/internal/writeback"
)

const (
	// A job that was running when its process was killed is taken up again after rescueAfter, which must be longer than
	// any job may take (jobTimeout).
	jobTimeout  = 3 * time.Minute
	rescueAfter = 4 * time.Minute
	// The queue's own defaults let a burst wait for up to a second.
	fetchCooldown = 20 * time.Millisecond
	fetchPoll     = 500 * time.Millisecond
	sweepEvery    = time.Hour
	pageSize      = 500
	// basisWait is how long data waits for a process on the newer basis.
	basisWait = 30 * time.Second
)

// Config is all that the workers need.
type Config struct {
	Store       *postgres.Store
	Basis       assess.Basis
	BasisNumber int64
	Screener    screen.Screener
	// Converger and Puller are nil where no record is configured: then nothing is written or pulled, and what is wanted
	// waits in the database.
	Converger *writeback.Converger
	Puller    *feed.Puller
	// Now gives the time; its calendar day in Basis.Zone is the day of every assessment.
	Now func() time.Time
	Log *slog.Logger
	// MaxWorkers bounds the jobs of this process that run at once; 0 means 8.
	MaxWorkers int
	// TokenRefused tells an error with which the record says that it does not accept our token; nil: none is known as one.
	TokenRefused func(error) bool
	// RescueAfter overrides how long a job of a killed process waits; 0 means 4 minutes.
	RescueAfter time.Duration
}

// New gives a queue client that works all jobs once started. Stop it with Stop.
func New(c Config) (*river.Client[pgx.Tx], error) {
	if c.MaxWorkers == 0 {
		c.MaxWorkers = 8
	}
	if c.TokenRefused == nil {
		c.TokenRefused = func(error) bool { return false }
	}
	timeout, rescue := jobTimeout, rescueAfter
	if c.RescueAfter > 0 {
		rescue = c.RescueAfter
		timeout = min(timeout, rescue*3/4)
	}
	workers := river.NewWorkers()
	for _, err := range []error{
		river.AddWorkerSafely(workers, &assessor{c: c}),
		river.AddWorkerSafely(workers, newWriter(c)),
		river.AddWorkerSafely(workers, &puller{c: c}),
		river.AddWorkerSafely(workers, &sweeper{c: c}),
		river.AddWorkerSafely(workers, &eraser{c: c}),
	} {
		if err != nil {
			return nil, fmt.Errorf("register workers: %w", err)
		}
	}
	client, err := river.NewClient(riverpgxv5.New(c.Store.Pool()), &river.Config{
		Queues:               map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: c.MaxWorkers}},
		Workers:              workers,
		JobTimeout:           timeout,
		RescueStuckJobsAfter: rescue,
		FetchCooldown:        fetchCooldown,
		FetchPollInterval:    fetchPoll,
		Logger:               c.Log,
		ErrorHandler:         failures{c.Log, c.TokenRefused},
		RetryPolicy:          retries{},
		PeriodicJobs: []*river.PeriodicJob{river.NewPeriodicJob(river.PeriodicInterval(sweepEvery), func() (river.JobArgs, *river.InsertOpts) {
			return jobs.DailySweep{Day: c.today().String()}, nil
		}, &river.PeriodicJobOpts{RunOnStart: true})},
	})
	if err != nil {
		return nil, fmt.Errorf("open the queue: %w", err)
	}
	return client, nil
}

// retries waits 2 s, 4 s, 8 s … up to 10 minutes: the database or the record is away for minutes, not weeks.
type retries struct{}

// NextRetry gives the time of the next try.
func (retries) NextRetry(job *rivertype.JobRow) time.Time {
	wait := min(10*time.Minute, time.Duration(1<<min(job.Attempt, 10))*time.Second)
	return time.Now().Add(wait)
}

// eraseAfter is how long a person without evidence is kept.
func (c Config) eraseAfter() time.Duration {
	return time.Duration(c.Basis.Policy.EraseDays) * 24 * time.Hour
}

// pace is how long people are given.
func (c Config) pace() draft.Pace { return Pace(c.Basis.Policy) }

// Pace is how long people are given by a policy.
func Pace(p policy.Policy) draft.Pace {
	return draft.Pace{UnansweredDays: p.UnansweredDays, EscalatedDueDays: p.DueOverdue, EndedDays: p.EndedDays, DeclinedDays: p.DeclinedDays}
}

// today is the facility's calendar day.
func (c Config) today() filter.Day {
	t := c.Now().In(c.Basis.Zone)
	return filter.NewDay(t.Year(), t.Month(), t.Day())
}

// Entries gives what the core reads of stored resources.
func Entries(stored []postgres.Stored, s screen.Screener) []chart.Entry {
	out := make([]chart.Entry, 0, len(stored))
	for _, one := range stored {
		out = append(out, s.Entry(one.Feed, one.Resource))
	}
	return out
}

// forget turns "the person is gone" and "newer work is saved" into success: there is nothing left to do.
func forget(err error) error {
	if errors.Is(err, fault.NotFound) || errors.Is(err, fault.Superseded) {
		return nil
	}
	return err
}

type puller struct {
	river.WorkerDefaults[jobs.PullContext]
	c Config
}

// Work pulls one person's context.
func (w *puller) Work(ctx context.Context, job *river.Job[jobs.PullContext]) error {
	if w.c.Puller == nil {
		return nil
	}
	return forget(w.c.Puller.Pull(ctx, job.Args.Person, job.Args.Version))
}

type sweeper struct {
	river.WorkerDefaults[jobs.DailySweep]
	c Config
}

// Work queues everyone whose answer can have changed by today, everyone not yet assessed on this basis, and every
// referral that is not written.
func (w *sweeper) Work(ctx context.Context, _ *river.Job[jobs.DailySweep]) error {
	if _, err := w.c.Store.ForgetQuarantine(ctx, w.c.Now()); err != nil {
		return err
	}
	if _, err := w.c.Store.ForgetCards(ctx, w.c.today()); err != nil {
		return err
	}
	_, err := Sweep(ctx, w.c.Store, w.c.today(), w.c.BasisNumber, w.c.eraseAfter())
	return err
}

// Sweep queues an assessment of everyone who is due by the day, was assessed on an older basis, or lost the job for newer
// data, and gives their number; then the context pulls, write-backs and erasures that no job stands for.
func Sweep(ctx context.Context, store *postgres.Store, day filter.Day, basis int64, eraseAfter time.Duration) (int, error) {
	total := 0
	for _, page := range []func(after string) ([]string, error){
		func(after string) ([]string, error) { return store.Due(ctx, day, after, pageSize) },
		func(after string) ([]string, error) { return store.FollowedBelowBasis(ctx, basis, after, pageSize) },
		func(after string) ([]string, error) { return store.Behind(ctx, after, pageSize) },
	} {
		for after := ""; ; {
			persons, err := page(after)
			if err != nil {
				return total, err
			}
			if len(persons) == 0 {
				break
			}
			if err := store.EnqueueAssess(ctx, persons, day, basis); err != nil {
				return total, err
			}
			total += len(persons)
			after = persons[len(persons)-1]
		}
	}
	if _, err := store.EnqueuePulls(ctx); err != nil {
		return total, err
	}
	if _, err := store.EnqueueUnwritten(ctx); err != nil {
		return total, err
	}
	if _, err := store.EnqueueLooks(ctx); err != nil {
		return total, err
	}
	if _, err := store.EnqueueErasures(ctx, eraseAfter); err != nil {
		return total, err
	}
	return total, nil
}

type eraser struct {
	river.WorkerDefaults[jobs.ErasePerson]
	c Config
}

// Work erases a person whose last evidence was taken back, once nothing of ours is open in the record.
func (w *eraser) Work(ctx context.Context, job *river.Job[jobs.ErasePerson]) error {
	done, err := w.c.Store.Erase(ctx, job.Args.Person, job.Args.Version)
	if err != nil {
		return forget(err)
	}
	if !done {
		return river.JobSnooze(sweepEvery)
	}
	return nil
}
