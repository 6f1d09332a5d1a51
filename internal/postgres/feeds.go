package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// FeedState is how a feed went in the last days; it names no patient.
type FeedState struct {
	Feed      string
	Requests  int
	Refused   int // of the requests
	Resources int // handed on
	Last      time.Time
}

// GapCount is for how many followed persons a part of the context could not be read.
type GapCount struct {
	Type, Why string
	Persons   int
}

// Feeds tells how each feed went since a time, by name, and what the newest finished pulls could not read.
func (s *Store) Feeds(ctx context.Context, since time.Time) ([]FeedState, []GapCount, error) {
	const what = "read how the feeds went"
	const delivered = `
		SELECT split_part(substr(caller, 6), ' by ', 1) COLLATE "C" AS feed, count(*), count(*) FILTER (WHERE outcome !~ '^2'), coalesce(sum(number), 0)::bigint, max(at)
		FROM audit WHERE at >= @since AND action = 'deliver' AND caller LIKE 'feed %' GROUP BY feed ORDER BY feed`
	const gaps = `
		SELECT g->>'type' AS type, g->>'why' AS why, count(*) FROM person, jsonb_array_elements(pull_gaps) AS g
		WHERE followed AND pull_gaps <> '[]' GROUP BY type, why ORDER BY type, why`
	var feeds []FeedState
	var counts []GapCount
	err := s.inSnapshot(ctx, what, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, delivered, pgx.NamedArgs{"since": since})
		if err != nil {
			return err
		}
		if feeds, err = pgx.CollectRows(rows, pgx.RowToStructByPos[FeedState]); err != nil {
			return err
		}
		if rows, err = tx.Query(ctx, gaps); err != nil {
			return err
		}
		counts, err = pgx.CollectRows(rows, pgx.RowToStructByPos[GapCount])
		return err
	})
	return feeds, counts, err
}
