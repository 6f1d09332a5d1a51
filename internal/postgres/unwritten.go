package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/jobs"
)

// EnqueueUnwritten queues a WriteBack for every referral whose newest state is not in the record and waits for nobody's
// attention or job, and gives their number. It heals what a time without a configured record, or a lost job, left behind.
func (s *Store) EnqueueUnwritten(ctx context.Context) (int, error) {
	const read = `
		SELECT key, version FROM referral
		WHERE written_version < version AND coalesce(attention_version, -1) < version
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'write_back' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'key' = referral.key AND (j.args->>'version')::bigint = referral.version)
		ORDER BY key`
	number := 0
	err := s.inTx(ctx, "queue unwritten referrals", func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, read)
		if err != nil {
			return err
		}
		list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[jobs.WriteBack])
		if err != nil {
			return err
		}
		var follow work
		for _, w := range list {
			follow.add(w)
		}
		number = len(list)
		return s.enqueue(ctx, tx, follow)
	})
	return number, err
}

// Pending counts the jobs that are to be worked now or within the given time; a person's erasure weeks ahead is not one.
func (s *Store) Pending(ctx context.Context, within time.Duration) (int, error) {
	const read = `
		SELECT count(*) FROM river_job
		WHERE state IN ('available', 'pending', 'running')
			OR state IN ('retryable', 'scheduled') AND scheduled_at < now() + make_interval(secs => @seconds)`
	var n int
	err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"seconds": within.Seconds()}).Scan(&n)
	return n, failed("count jobs", err)
}
