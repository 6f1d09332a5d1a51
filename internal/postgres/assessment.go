package postgres

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/jobs"
)

// Saved is one assessment on its way to the store.
type Saved struct {
	Person              string
	ChartVersion, Basis int64
	AsOf                filter.Day
	DueOn               filter.Day // the first day to look again; MaxDay for never
	Answer              []byte     // assess.Assessment as JSON
	// Keys are all keys of the person's filters now, with their evidence. New ones are born in this order.
	Keys []filter.KnownKey
	// Merged are keys that are the same filter as another, with what they stood on before and the key that is kept.
	Merged    []filter.KnownKey
	Referrals []SavedReferral
	// Lines is how each filter stands on the worklist.
	Lines []agenda.Line
	// Doubled are keys of which the record shows more than one open Task.
	Doubled []string
	// EvidenceGone says that nothing tells of a filter any more; the person is then erased after EraseAfter, unless that changes.
	EvidenceGone bool
	EraseAfter   time.Duration
	// Saves is Record.Saves of the record that was assessed. Where it is not nil, an assessment saved since then makes
	// this one fault.Unavailable: its referrals were decided on an older state, so read the record again.
	Saves *int64
}

// SavedReferral is the wanted state of one filter's referral. Document is what the Task and document are composed from.
// Changed asks for a write-back; otherwise Document is ignored.
type SavedReferral struct {
	Referral draft.Referral
	Document []byte
	Changed  bool
}

// SaveAssessment saves an assessment and queues one WriteBack per changed referral, in one transaction. It is
// fault.Superseded, and changes nothing, if the saved one has a higher basis or chart version, or the same and a later
// day; the same assessment again replaces itself. fault.NotFound: the person is gone.
func (s *Store) SaveAssessment(ctx context.Context, a Saved) error {
	const what = "save an assessment"
	if err := checkPerson(a.Person); err != nil {
		return failed(what, err)
	}
	who, err := s.whoami(ctx)
	if err != nil {
		return failed(what, err)
	}
	return s.inTx(ctx, what, func(tx pgx.Tx) error {
		if err := guard(ctx, tx, a); err != nil {
			return err
		}
		if err := saveAnswer(ctx, tx, a); err != nil {
			return err
		}
		if err := saveKeys(ctx, tx, a); err != nil {
			return err
		}
		if err := saveLines(ctx, tx, who, a.Person, a.Lines); err != nil {
			return err
		}
		var follow work
		for _, r := range a.Referrals {
			number, err := saveReferral(ctx, tx, a.Person, r)
			if err != nil {
				return err
			}
			if r.Changed {
				follow.add(jobs.WriteBack{Key: r.Referral.Key, Version: number})
			}
		}
		if err := noteEvidence(ctx, tx, a, &follow); err != nil {
			return err
		}
		if err := s.enqueue(ctx, tx, follow); err != nil {
			return err
		}
		return s.queueLooks(ctx, tx, a.Doubled)
	})
}

// ErrOvertaken says that another assessment was saved since the record was read: reading it again helps at once.
var ErrOvertaken = fmt.Errorf("another one was saved since the record was read: %w", fault.Unavailable)

// guard locks the person and refuses an assessment older than the saved one.
func guard(ctx context.Context, tx pgx.Tx, a Saved) error {
	const read = `
		SELECT chart_version, saves, coalesce(saved_version, 0), coalesce(saved_basis, 0), saved_as_of
		FROM person WHERE id = @person FOR UPDATE`
	var chart, saves, version, basis int64
	var date pgtype.Date
	if err := tx.QueryRow(ctx, read, pgx.NamedArgs{"person": a.Person}).Scan(&chart, &saves, &version, &basis, &date); err != nil {
		return err
	}
	asOf := filter.MinDay
	if date.Valid {
		asOf = day(date)
	}
	switch {
	case a.ChartVersion > chart || a.AsOf <= filter.MinDay || a.AsOf >= filter.MaxDay:
		return fmt.Errorf("no such chart version or day: %w", fault.Invalid)
	case basis > a.Basis, version > a.ChartVersion, basis == a.Basis && version == a.ChartVersion && asOf > a.AsOf:
		return fmt.Errorf("a newer one is saved: %w", fault.Superseded)
	case a.Saves != nil && *a.Saves != saves:
		return ErrOvertaken
	}
	return nil
}

func saveAnswer(ctx context.Context, tx pgx.Tx, a Saved) error {
	const insert = `
		INSERT INTO assessment (person_id, chart_version, basis, as_of, due_on, answer)
		VALUES (@person, @version, @basis, @as_of, @due_on, @answer)
		ON CONFLICT (person_id, chart_version, basis, as_of)
		DO UPDATE SET due_on = EXCLUDED.due_on, answer = EXCLUDED.answer, made_at = EXCLUDED.made_at`
	const mark = `
		UPDATE person
		SET saves = saves + 1, saved_version = @version, saved_basis = @basis, saved_as_of = @as_of, due_on = @due_on
		WHERE id = @person`
	args := pgx.NamedArgs{"person": a.Person, "version": a.ChartVersion, "basis": a.Basis, "as_of": date(a.AsOf),
		"due_on": date(a.DueOn), "answer": json.RawMessage(a.Answer)}
	if _, err := tx.Exec(ctx, insert, args); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, mark, args)
	return err
}

// TakenKeys gives those of the keys that belong to somebody else than the person, sorted.
func (s *Store) TakenKeys(ctx context.Context, person string, keys []string) ([]string, error) {
	const what = "look for keys of others"
	const taken = `
		SELECT key FROM filter_key WHERE key = ANY(@keys) AND person_id <> @person ORDER BY key COLLATE "C"`
	if err := checkPerson(person); err != nil {
		return nil, failed(what, err)
	}
	rows, err := s.pool.Query(ctx, taken, pgx.NamedArgs{"keys": keys, "person": person})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return list, failed(what, err)
}

// saveKeys keeps every key ever handed out. A key that is not among the keys of today keeps its evidence, so that it is found again
// when the evidence comes back; one that was merged keeps what it stood on by itself, to which it goes back when it is told apart again.
func saveKeys(ctx context.Context, tx pgx.Tx, a Saved) error {
	const upsert = `
		INSERT INTO filter_key (key, person_id, evidence) VALUES (@key, @person, @evidence)
		ON CONFLICT (key) DO UPDATE SET person_id = EXCLUDED.person_id, evidence = EXCLUDED.evidence, merged_into = NULL
		WHERE filter_key.person_id IS NULL OR filter_key.person_id = EXCLUDED.person_id`
	const merge = `
		INSERT INTO filter_key (key, person_id, evidence, merged_into) VALUES (@key, @person, @evidence, @into)
		ON CONFLICT (key) DO UPDATE SET person_id = EXCLUDED.person_id, merged_into = EXCLUDED.merged_into,
			evidence = CASE WHEN EXCLUDED.evidence = '{}' THEN filter_key.evidence ELSE EXCLUDED.evidence END
		WHERE filter_key.person_id IS NULL OR filter_key.person_id = EXCLUDED.person_id`
	one := func(sql string, args pgx.NamedArgs) error {
		tag, err := tx.Exec(ctx, sql, args)
		if err == nil && tag.RowsAffected() == 0 {
			err = fmt.Errorf("a key belongs to another person: %w", fault.Invalid)
		}
		return err
	}
	for _, k := range a.Keys {
		if err := one(upsert, pgx.NamedArgs{"key": k.Key, "person": a.Person, "evidence": orEmpty(k.Evidence)}); err != nil {
			return err
		}
	}
	for _, k := range a.Merged {
		if err := one(merge, pgx.NamedArgs{"key": k.Key, "person": a.Person, "evidence": orEmpty(k.Evidence), "into": k.Into}); err != nil {
			return err
		}
	}
	return nil
}

func orEmpty(evidence []filter.Ref) []filter.Ref {
	if evidence == nil {
		return []filter.Ref{}
	}
	return evidence
}

// noteEvidence remembers since when nothing tells of a filter and queues the erasure once, when that begins.
func noteEvidence(ctx context.Context, tx pgx.Tx, a Saved, follow *work) error {
	const begin = `
		UPDATE person SET evidence_gone_at = now(), evidence_gone_version = @version
		WHERE id = @person AND evidence_gone_at IS NULL
		RETURNING evidence_gone_at`
	const end = `UPDATE person SET evidence_gone_at = NULL, evidence_gone_version = NULL WHERE id = @person`
	args := pgx.NamedArgs{"person": a.Person, "version": a.ChartVersion}
	if !a.EvidenceGone {
		_, err := tx.Exec(ctx, end, args)
		return err
	}
	rows, err := tx.Query(ctx, begin, args)
	if err != nil {
		return err
	}
	begun, err := pgx.CollectRows(rows, pgx.RowTo[time.Time])
	if err != nil {
		return err
	}
	for _, at := range begun {
		follow.addAt(jobs.ErasePerson{Person: a.Person, Version: a.ChartVersion}, at.Add(a.EraseAfter))
	}
	return nil
}
