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

// queueListed queues one job for each row of a query, whose columns are the job's arguments in order, and gives their number.
func queueListed[T river.JobArgs](ctx context.Context, s *Store, tx pgx.Tx, sql string, args pgx.NamedArgs) (int, error) {
	rows, err := tx.Query(ctx, sql, args)
	if err != nil {
		return 0, err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[T])
	if err != nil {
		return 0, err
	}
	var follow work
	for _, job := range list {
		follow.add(job)
	}
	return len(list), s.enqueue(ctx, tx, follow)
}
