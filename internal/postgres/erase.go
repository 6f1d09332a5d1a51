package postgres

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
)

// Erase forgets a person whose evidence was found gone at this chart version: resources, aliases, assessments, referrals
// and receipts. What stays says nothing of the person: filter keys without evidence, retraction hashes, the audit trail.
//
// done is false, without error, while something stands in the way that passes: a newer chart not yet assessed, a
// referral that is still wanted or not yet written. fault.Superseded: the evidence came back, so this erasure is off for good.
// Someone who is not here is done.
func (s *Store) Erase(ctx context.Context, person string, version int64) (done bool, err error) {
	const what = "erase a person"
	const read = `
		SELECT coalesce(evidence_gone_version = @version, false), saved_version = chart_version
		FROM person WHERE id = @person FOR UPDATE`
	if err := checkPerson(person); err != nil {
		return false, failed(what, err)
	}
	err = s.inTx(ctx, what, func(tx pgx.Tx) error {
		// Whether anybody else names an entry without patient must not change meanwhile.
		if err := lockSlots(ctx, tx, allSlots()); err != nil {
			return err
		}
		args := pgx.NamedArgs{"person": person, "version": version}
		rows, err := tx.Query(ctx, read, args)
		if err != nil {
			return err
		}
		type state struct{ Gone, Assessed bool }
		found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[state])
		if err != nil {
			return err
		}
		if len(found) == 0 {
			done = true
			return nil
		}
		if !found[0].Gone {
			return fmt.Errorf("there is evidence again: %w", fault.Superseded)
		}
		if !found[0].Assessed {
			return nil
		}
		if open, err := s.openReferral(ctx, tx, person); err != nil || open {
			return err
		}
		done = true
		return forget(ctx, tx, person)
	})
	return done && err == nil, err
}

func allSlots() slots {
	all := slots{}
	for n := range int32(slotCount) {
		all[n] = true
	}
	return all
}

// openReferral reports whether something of ours is wanted in the record, or not yet as wanted.
func (s *Store) openReferral(ctx context.Context, tx pgx.Tx, person string) (bool, error) {
	// Without a record, what never got a receipt was never there.
	const read = `
		SELECT state, written_version = version OR @nowhere AND NOT EXISTS (SELECT FROM receipt WHERE receipt.key = referral.key)
		FROM referral WHERE person_id = @person FOR UPDATE`
	type one struct {
		State   draft.Referral
		Written bool
	}
	rows, err := tx.Query(ctx, read, pgx.NamedArgs{"person": person, "nowhere": !s.options.PullContext})
	if err != nil {
		return false, err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[one])
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(list, func(r one) bool {
		return !r.Written || r.State.Round > 0 && r.State.Reason == draft.Wanted
	}), nil
}

// forget deletes what belongs to a locked person.
func forget(ctx context.Context, tx pgx.Tx, person string) error {
	const shared = chartKeys + `
		SELECT feed, type, id FROM (SELECT feed, type, id FROM near UNION SELECT feed, type, id FROM far) named`
	args := pgx.NamedArgs{"person": person}
	rows, err := tx.Query(ctx, shared, args)
	if err != nil {
		return err
	}
	type entry struct{ Feed, Type, ID string }
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[entry])
	if err != nil {
		return err
	}
	for _, sql := range []string{
		`DELETE FROM referral WHERE person_id = @person`, // receipts go with them
		`DELETE FROM assessment WHERE person_id = @person`,
		`DELETE FROM worklist WHERE key IN (SELECT key FROM filter_key WHERE person_id = @person)`,
		`DELETE FROM act WHERE key IN (SELECT key FROM filter_key WHERE person_id = @person)`,
		`UPDATE filter_key SET evidence = '{}', person_id = NULL WHERE person_id = @person`,
		`DELETE FROM resource WHERE person_id = @person`,
		`DELETE FROM person_alias WHERE person_id = @person`,
		`DELETE FROM person WHERE id = @person`,
	} {
		if _, err := tx.Exec(ctx, sql, args); err != nil {
			return err
		}
	}
	// What names no patient goes too once nobody names it. Two rounds, because one such entry may name another.
	const unnamed = `
		DELETE FROM resource
		WHERE feed = @feed AND type = @type AND id = @id AND NOT EXISTS (
			SELECT FROM resource r WHERE r.current AND r.feed = @feed AND r.refs @> ARRAY[@ref::text])
		AND NOT EXISTS (SELECT FROM resource r WHERE r.feed = @feed AND r.type = @type AND r.id = @id AND r.person_id IS NOT NULL)`
	for range 2 {
		for _, e := range list {
			_, err := tx.Exec(ctx, unnamed, pgx.NamedArgs{"feed": e.Feed, "type": e.Type, "id": e.ID, "ref": e.Type + "/" + e.ID})
			if err != nil {
				return err
			}
		}
	}
	return nil
}
