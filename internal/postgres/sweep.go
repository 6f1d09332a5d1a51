package postgres

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/jobs"
)

// Due lists followed persons whose answer can have changed by day, or who were never assessed, in id order after
// afterPerson ("" for the start), at most limit of them. Its cost grows with those due, not with those followed.
func (s *Store) Due(ctx context.Context, day filter.Day, afterPerson string, limit int) ([]string, error) {
	const read = `
		WITH due AS MATERIALIZED (SELECT id FROM person WHERE followed AND due_on <= @day)
		SELECT id::text FROM due WHERE id > @after ORDER BY id LIMIT @limit`
	return s.page(ctx, "list who is due", read, afterPerson, pgx.NamedArgs{"day": date(day), "limit": limit})
}

// FollowedBelowBasis lists followed persons who were never assessed on this basis or a higher one, in id order after the
// person after ("" for the start), at most limit of them.
func (s *Store) FollowedBelowBasis(ctx context.Context, basis int64, after string, limit int) ([]string, error) {
	const read = `
		SELECT id::text FROM person
		WHERE followed AND coalesce(saved_basis, 0) < @basis AND id > @after ORDER BY id LIMIT @limit`
	return s.page(ctx, "list who is below the basis", read, after, pgx.NamedArgs{"basis": basis, "limit": limit})
}

func (s *Store) page(ctx context.Context, what, sql, after string, args pgx.NamedArgs) ([]string, error) {
	args["after"] = uuid.Nil.String()
	if after != "" {
		if err := checkPerson(after); err != nil {
			return nil, failed(what, err)
		}
		args["after"] = after
	}
	rows, err := s.pool.Query(ctx, sql, args)
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return list, failed(what, err)
}

// EnqueueAssess queues one AssessPatient per person who is followed, with the chart version of now, all or none. day is the
// sweep's day, MinDay where no sweep asks.
func (s *Store) EnqueueAssess(ctx context.Context, persons []string, day filter.Day, basis int64) error {
	const what = "queue assessments"
	const read = `SELECT id::text, chart_version FROM person WHERE id = ANY(@persons::uuid[]) AND followed ORDER BY id`
	for _, p := range persons {
		if err := checkPerson(p); err != nil {
			return failed(what, err)
		}
	}
	text := ""
	if day > filter.MinDay && day < filter.MaxDay {
		text = day.String()
	}
	return s.inTx(ctx, what, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, read, pgx.NamedArgs{"persons": persons})
		if err != nil {
			return err
		}
		var follow work
		var person string
		var chart int64
		_, err = pgx.ForEachRow(rows, []any{&person, &chart}, func() error {
			follow.add(jobs.AssessPatient{Person: person, Version: chart, Day: text, Basis: basis})
			return nil
		})
		if err != nil {
			return err
		}
		return s.enqueue(ctx, tx, follow)
	})
}
