package worker

import (
	"context"
	"errors"
	"log/slog"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"dwellwatch/internal/fault"
)

// failures logs jobs that failed at the level they deserve; the queue itself only mentions them. A record or database that
// is away, and a token that is not accepted, are told once by those who talk to them, not by every job, unless the job was
// given up for it.
type failures struct {
	log *slog.Logger
	// tokenRefused tells an error with which the record refuses our token.
	tokenRefused func(error) bool
}

// HandleError leaves the retry as it is. The text names kinds and statuses at most, by the contract of all our errors.
func (f failures) HandleError(ctx context.Context, job *rivertype.JobRow, err error) *river.ErrorHandlerResult {
	last := job.Attempt >= job.MaxAttempts
	switch {
	case last:
		f.log.ErrorContext(ctx, "a job was given up; the hourly sweep queues again what is still needed", "kind", job.Kind, "job", job.ID, "error", err.Error())
	case errors.Is(err, fault.Unavailable), errors.Is(err, context.Canceled), f.tokenRefused(err):
	default:
		f.log.WarnContext(ctx, "a job failed and is tried again", "kind", job.Kind, "job", job.ID, "attempt", job.Attempt, "error", err.Error())
	}
	return nil
}

// HandlePanic says where it happened to the queue's page only: the value of a panic may quote the record.
func (f failures) HandlePanic(ctx context.Context, job *rivertype.JobRow, _ any, _ string) *river.ErrorHandlerResult {
	f.log.ErrorContext(ctx, "a job panicked and is tried again: please report it", "kind", job.Kind, "job", job.ID, "attempt", job.Attempt)
	return nil
}
