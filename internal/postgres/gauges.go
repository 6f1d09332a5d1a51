package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// Gauges is how much waits, for an operator. It counts and names nobody.
type Gauges struct {
	ToOpen        int           // referrals that are wanted and whose newest state is not in the record
	ToClose       int           // referrals that are no longer wanted and whose newest state is not in the record
	OldestWaiting time.Duration // since the longest waiting of both was saved; 0 where none waits
	Pulls         int           // followed persons whose context is still to be read; nothing is drafted for them before
	OldestPull    time.Duration // since the longest waiting of these reads was asked for, as far as the queue remembers
	Attention     map[string]int
	Queue         []QueueCount
	Quarantine    int
}

// QueueCount is how many jobs of a kind are in a state of the queue; those that are done or cancelled are not counted.
type QueueCount struct {
	Kind, State string
	Number      int
}

// QueueStates are the states that Gauges counts: those of jobs still to be worked, and discarded for jobs given up.
func QueueStates() []string {
	return []string{"available", "pending", "retryable", "running", "scheduled", "discarded"}
}

// Gauges reads all counts in one snapshot. Attention is by the code of MarkAttention, for the newest version only; what
// needs attention and is not written counts as waiting too.
func (s *Store) Gauges(ctx context.Context) (Gauges, error) {
	const waiting = `
		SELECT count(*) FILTER (WHERE state->>'reason' = ''), count(*) FILTER (WHERE state->>'reason' <> ''),
			coalesce(extract(epoch FROM greatest(now() - min(changed_at), interval '0')), 0)::float8
		FROM referral WHERE written_version < version`
	// A read that was given up is asked for again by a new job; the first one tells since when it waits.
	const pulls = `
		SELECT
			(SELECT count(*) FROM person WHERE followed AND pull_done < pull_wanted),
			(SELECT coalesce(extract(epoch FROM greatest(now() - min(j.created_at), interval '0')), 0)::float8
			FROM river_job j JOIN person p ON p.id::text = j.args->>'person'
			WHERE j.kind = 'pull_context' AND p.followed AND p.pull_done < p.pull_wanted AND (j.args->>'version')::bigint > p.pull_done)`
	const attention = `
		SELECT attention, count(*) FROM referral WHERE attention_version = version GROUP BY attention`
	const queue = `
		SELECT kind, state::text, count(*) FROM river_job
		WHERE state = ANY (@states::river_job_state[]) GROUP BY kind, state ORDER BY kind, state`
	const quarantine = `SELECT count(*) FROM quarantine`
	g := Gauges{Attention: map[string]int{}}
	err := s.inSnapshot(ctx, "read the gauges", func(tx pgx.Tx) error {
		var seconds float64
		if err := tx.QueryRow(ctx, waiting).Scan(&g.ToOpen, &g.ToClose, &seconds); err != nil {
			return err
		}
		g.OldestWaiting = time.Duration(seconds * float64(time.Second))
		if err := tx.QueryRow(ctx, pulls).Scan(&g.Pulls, &seconds); err != nil {
			return err
		}
		g.OldestPull = time.Duration(seconds * float64(time.Second))
		var code string
		var number int
		if err := each(ctx, tx, attention, []any{&code, &number}, func() { g.Attention[code] = number }); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, queue, pgx.NamedArgs{"states": QueueStates()})
		if err != nil {
			return err
		}
		if g.Queue, err = pgx.CollectRows(rows, pgx.RowToStructByPos[QueueCount]); err != nil {
			return err
		}
		return tx.QueryRow(ctx, quarantine).Scan(&g.Quarantine)
	})
	if err != nil {
		return Gauges{}, err
	}
	return g, nil
}
