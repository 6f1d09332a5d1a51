package postgres

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/jobs"
)

// DefaultFeed is the feed of the record itself: the one that can be asked.
const DefaultFeed = "default"

// Alias is a patient as one feed calls them.
type Alias struct{ Feed, PatientID string }

// Pull is what is to be read from the record for one person.
type Pull struct {
	Aliases []Alias // by feed and patient id
	// Wanted counts the pulls asked for, Done those finished; nothing is to be done where Done has reached Wanted.
	Wanted, Done int64
	// Unresolved are the entries of the default feed that kept ones name and that are not here, as Type/id, sorted.
	Unresolved []string
}

// Gap is what a pull could not read: a resource type and why, one of the words below.
type Gap struct {
	Type string `json:"type"`
	Why  string `json:"why"`
}

// Why something could not be read.
const (
	GapUnsearchable = "unsearchable" // the record does not search this type by patient
	GapForbidden    = "forbidden"    // the record does not let this service read it
	GapRefused      = "refused"      // the record refused the search
	GapCut          = "cut"          // there is more than was read
	GapUnreadable   = "unreadable"   // an entry was not readable FHIR
)

// PullPlan reads in one snapshot what a context pull has to fetch; fault.NotFound if the person is gone.
func (s *Store) PullPlan(ctx context.Context, person string) (Pull, error) {
	const what = "plan a context pull"
	const counts = `SELECT pull_wanted, pull_done FROM person WHERE id = @person`
	const aliases = `
		SELECT feed, patient_id FROM person_alias WHERE person_id = @person ORDER BY feed COLLATE "C", patient_id COLLATE "C"`
	const unresolved = chartKeys + `
		SELECT DISTINCT ref COLLATE "C" AS ref
		FROM (SELECT unnest(refs) AS ref FROM chart WHERE feed = @feed) named
		WHERE NOT EXISTS (
			SELECT FROM resource r
			WHERE r.feed = @feed AND r.type = split_part(ref, '/', 1) AND r.id = split_part(ref, '/', 2) AND r.current)
		ORDER BY ref`
	if err := checkPerson(person); err != nil {
		return Pull{}, failed(what, err)
	}
	var p Pull
	err := s.inSnapshot(ctx, what, func(tx pgx.Tx) error {
		args := pgx.NamedArgs{"person": person, "feed": DefaultFeed}
		if err := tx.QueryRow(ctx, counts, args).Scan(&p.Wanted, &p.Done); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, aliases, args)
		if err != nil {
			return err
		}
		if p.Aliases, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Alias]); err != nil {
			return err
		}
		if rows, err = tx.Query(ctx, unresolved, args); err != nil {
			return err
		}
		p.Unresolved, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	if err != nil {
		return Pull{}, err
	}
	return p, nil
}

// ReadAgain asks for the context of the person of a filter to be read again, as far as a record can be asked. fault.NotFound: there
// is no referral.
func (s *Store) ReadAgain(ctx context.Context, key string) error {
	const want = `
		UPDATE person SET pull_wanted = pull_wanted + 1 WHERE id = (SELECT person_id FROM referral WHERE key = @key)
		RETURNING id::text, pull_wanted`
	if !s.options.PullContext {
		return nil
	}
	return s.inTx(ctx, "ask for a person's context", func(tx pgx.Tx) error {
		n, err := queueListed[jobs.PullContext](ctx, s, tx, want, pgx.NamedArgs{"key": key})
		if err == nil && n == 0 {
			err = fmt.Errorf("referral: %w", fault.NotFound)
		}
		return err
	})
}

// MarkPulled says that the pull with this number is done, and with it all before, but for the gaps. The first time it raises the chart
// version and queues AssessPatient; again it changes nothing. fault.NotFound: the person is gone; fault.Invalid: nobody asked for this pull.
func (s *Store) MarkPulled(ctx context.Context, person string, version int64, gaps []Gap) error {
	const what = "mark a context pull as done"
	const mark = `
		UPDATE person SET pull_done = @version, pull_gaps = @gaps, chart_version = chart_version + 1
		WHERE id = @person AND pull_done < @version AND pull_wanted >= @version
		RETURNING chart_version`
	const wanted = `SELECT pull_wanted FROM person WHERE id = @person`
	if err := checkPerson(person); err != nil {
		return failed(what, err)
	}
	if gaps == nil {
		gaps = []Gap{}
	}
	return s.inTx(ctx, what, func(tx pgx.Tx) error {
		if err := lockPerson(ctx, tx, person); err != nil {
			return err
		}
		args := pgx.NamedArgs{"person": person, "version": version, "gaps": gaps}
		rows, err := tx.Query(ctx, mark, args)
		if err != nil {
			return err
		}
		charts, err := pgx.CollectRows(rows, pgx.RowTo[int64])
		if err != nil {
			return err
		}
		var follow work
		for _, chart := range charts {
			follow.add(jobs.AssessPatient{Person: person, Version: chart})
		}
		if len(charts) > 0 {
			return s.enqueue(ctx, tx, follow)
		}
		var asked int64
		if err := tx.QueryRow(ctx, wanted, args).Scan(&asked); err != nil {
			return err
		}
		if version > asked {
			return fmt.Errorf("nobody asked for this pull: %w", fault.Invalid)
		}
		return nil
	})
}
