package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/jobs"
)

// Resume makes due at once what waits for another try although nothing else is amiss: the write-backs of referrals whose
// newest version needs attention under code, and every context pull. A write-back whose job is lost gets a new one.
func (s *Store) Resume(ctx context.Context, code string) error {
	const due = `
		UPDATE river_job j SET state = 'available', scheduled_at = now()
		WHERE j.state IN ('available', 'retryable', 'scheduled') AND j.scheduled_at > now()
			AND (j.kind = 'pull_context' OR j.kind = 'write_back' AND EXISTS (
				SELECT FROM referral r
				WHERE r.key = j.args->>'key' AND r.version = (j.args->>'version')::bigint
					AND r.written_version < r.version AND r.attention_version = r.version AND r.attention = @code))`
	const lost = `
		SELECT key, version, false FROM referral r
		WHERE written_version < version AND attention_version = version AND attention = @code
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'write_back' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'key' = r.key AND (j.args->>'version')::bigint = r.version)
		ORDER BY key`
	return s.inTx(ctx, "resume what waits for the record", func(tx pgx.Tx) error {
		args := pgx.NamedArgs{"code": code}
		if _, err := tx.Exec(ctx, due, args); err != nil {
			return err
		}
		_, err := queueListed[jobs.WriteBack](ctx, s, tx, lost, args)
		return err
	})
}
