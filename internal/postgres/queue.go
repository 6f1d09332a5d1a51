package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
)

// work is jobs to be queued in one transaction. No job is unique: the version in its arguments tells whether it is still needed.
type work []river.InsertManyParams

func (w *work) add(args river.JobArgs) { *w = append(*w, river.InsertManyParams{Args: args}) }

func (w *work) addAt(args river.JobArgs, at time.Time) {
	*w = append(*w, river.InsertManyParams{Args: args, InsertOpts: &river.InsertOpts{ScheduledAt: at}})
}

// enqueue queues jobs in the transaction of the change that asks for them.
func (s *Store) enqueue(ctx context.Context, tx pgx.Tx, w work) error {
	if len(w) == 0 {
		return nil
	}
	_, err := s.queue.InsertManyTx(ctx, tx, w)
	return err
}
