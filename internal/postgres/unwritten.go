package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/jobs"
)

// EnqueueUnwritten queues a WriteBack for every referral whose newest state is not in the record and waits for no job or
// context, and gives their number. It heals what a time without a configured record, or a lost job, left behind. What needed
// a person's attention is tried again after some hours: what was amiss in the record may have been put right.
func (s *Store) EnqueueUnwritten(ctx context.Context) (int, error) {
	const read = `
		SELECT key, version, false FROM referral JOIN person p ON p.id = referral.person_id
		WHERE written_version < version AND (coalesce(attention_version, -1) < version OR attention_at <= now() - interval '20 hours')
			AND (NOT @pulls OR p.pull_wanted > 0 AND p.pull_done >= p.pull_wanted)
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'write_back' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'key' = referral.key AND (j.args->>'version')::bigint = referral.version)
		ORDER BY key`
	number := 0
	err := s.inTx(ctx, "queue unwritten referrals", func(tx pgx.Tx) error {
		var err error
		number, err = queueListed[jobs.WriteBack](ctx, s, tx, read, pgx.NamedArgs{"pulls": s.options.PullContext})
		return err
	})
	return number, err
}

// EnqueueLooks queues a look for surplus copies of every referral that is open, or was written within a week, where the last
// one, or the writing, was some hours ago, and gives their number.
func (s *Store) EnqueueLooks(ctx context.Context) (int, error) {
	const read = `
		SELECT key, version, true FROM referral
		WHERE version > 0 AND written_version = version AND coalesce(looked_at, '-infinity') <= now() - interval '20 hours'
			AND (state->>'reason' = '' OR changed_at > now() - interval '7 days')` + noWriteBack + `
		ORDER BY key`
	number := 0
	err := s.inTx(ctx, "queue looks at referrals", func(tx pgx.Tx) error {
		var err error
		number, err = queueListed[jobs.WriteBack](ctx, s, tx, read, pgx.NamedArgs{})
		return err
	})
	return number, err
}

// queueLooks queues a look for each of the keys that is written and has no job.
func (s *Store) queueLooks(ctx context.Context, tx pgx.Tx, keys []string) error {
	const read = `
		SELECT key, version, true FROM referral
		WHERE key = ANY(@keys) AND version > 0 AND written_version = version` + noWriteBack + `
		ORDER BY key`
	if len(keys) == 0 {
		return nil
	}
	_, err := queueListed[jobs.WriteBack](ctx, s, tx, read, pgx.NamedArgs{"keys": keys})
	return err
}

// noWriteBack leaves out a referral of which a job looks at the record anyway.
const noWriteBack = `
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'write_back' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'key' = referral.key)`

// EnqueuePulls queues a PullContext for every followed person whose context was never asked for, as of a time without a
// configured record, or whose pull is not done and has no job left, and gives their number. Without a record it does nothing.
func (s *Store) EnqueuePulls(ctx context.Context) (int, error) {
	const ask = `UPDATE person SET pull_wanted = 1 WHERE followed AND pull_wanted = 0`
	const read = `
		SELECT id::text, pull_wanted FROM person
		WHERE followed AND pull_done < pull_wanted
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'pull_context' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'person' = person.id::text)
		ORDER BY id`
	if !s.options.PullContext {
		return 0, nil
	}
	number := 0
	err := s.inTx(ctx, "queue context pulls", func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, ask); err != nil {
			return err
		}
		var err error
		number, err = queueListed[jobs.PullContext](ctx, s, tx, read, pgx.NamedArgs{})
		return err
	})
	return number, err
}

// Behind lists followed persons whose newest chart was never assessed and who have no job left for it, in id order after
// the person after ("" for the start), at most limit of them.
func (s *Store) Behind(ctx context.Context, after string, limit int) ([]string, error) {
	const read = `
		SELECT id::text FROM person
		WHERE followed AND coalesce(saved_version, 0) < chart_version AND id > @after
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'assess_patient' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'person' = person.id::text)
		ORDER BY id LIMIT @limit`
	return s.page(ctx, "list whose newest chart was not assessed", read, after, pgx.NamedArgs{"limit": limit})
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

// EnqueueErasures queues an ErasePerson for everyone without evidence whose job is lost, for the day on which it was due, and
// gives their number. It also forgets what was held for want of a device that has not come in its time.
func (s *Store) EnqueueErasures(ctx context.Context, after time.Duration) (int, error) {
	const read = `
		SELECT id::text, evidence_gone_version, evidence_gone_at FROM person
		WHERE evidence_gone_at IS NOT NULL
			AND NOT EXISTS (
				SELECT FROM river_job j
				WHERE j.kind = 'erase_person' AND j.state IN ('available', 'pending', 'retryable', 'running', 'scheduled')
					AND j.args->>'person' = person.id::text AND (j.args->>'version')::bigint = evidence_gone_version)
		ORDER BY id`
	number := 0
	err := s.inTx(ctx, "queue erasures", func(tx pgx.Tx) error {
		if err := forgetWaiting(ctx, tx); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, read)
		if err != nil {
			return err
		}
		var follow work
		var job jobs.ErasePerson
		var gone time.Time
		_, err = pgx.ForEachRow(rows, []any{&job.Person, &job.Version, &gone}, func() error {
			follow.addAt(job, gone.Add(after))
			return nil
		})
		if err != nil {
			return err
		}
		number = len(follow)
		return s.enqueue(ctx, tx, follow)
	})
	return number, err
}
