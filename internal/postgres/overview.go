package postgres

import (
	"context"
	"encoding/json"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/draft"
)

// Row is one followed person in the overview.
type Row struct {
	Person       string
	ChartVersion int64
	Patients     []Alias // by feed and patient id
	Answer       []byte  // the newest saved assessment as JSON; nil before the first
	Referrals    []RowReferral
}

// RowReferral is one filter's referral and how far it has been written.
type RowReferral struct {
	Referral       draft.Referral
	Version        int64
	WrittenVersion int64
	Attention      string
	Receipts       []Receipt
}

// Overview lists everyone followed, by the first of their patient ids, in one snapshot.
func (s *Store) Overview(ctx context.Context) ([]Row, error) {
	const persons = `
		SELECT p.id::text, p.chart_version, a.answer
		FROM person p
		LEFT JOIN assessment a ON a.person_id = p.id AND a.chart_version = p.saved_version AND a.basis = p.saved_basis AND a.as_of = p.saved_as_of
		WHERE p.followed
		ORDER BY (SELECT min((feed || '|' || patient_id) COLLATE "C") FROM person_alias WHERE person_id = p.id), p.id`
	const aliases = `
		SELECT person_id::text, feed, patient_id FROM person_alias ORDER BY feed COLLATE "C", patient_id COLLATE "C"`
	const referrals = `
		SELECT r.person_id::text, r.key, r.state, r.version, r.written_version, coalesce(r.attention, '')
		FROM referral r JOIN filter_key k USING (key) ORDER BY k.born`
	const receipts = `
		SELECT key, kind, round, revision, resource_id, version_id, status FROM receipt ORDER BY key, kind, round, revision`
	var list []Row
	err := s.inSnapshot(ctx, "read the overview", func(tx pgx.Tx) error {
		var person, key string
		var r Row
		var answer *json.RawMessage
		at := map[string]int{}
		err := each(ctx, tx, persons, []any{&r.Person, &r.ChartVersion, &answer}, func() {
			one := Row{Person: r.Person, ChartVersion: r.ChartVersion}
			if answer != nil {
				one.Answer = *answer
			}
			at[one.Person] = len(list)
			list = append(list, one)
		})
		if err != nil {
			return err
		}
		var a Alias
		err = each(ctx, tx, aliases, []any{&person, &a.Feed, &a.PatientID}, func() {
			if n, ok := at[person]; ok {
				list[n].Patients = append(list[n].Patients, a)
			}
		})
		if err != nil {
			return err
		}
		byKey := map[string][]Receipt{}
		var receipt Receipt
		into := []any{&key, &receipt.Kind, &receipt.Round, &receipt.Revision, &receipt.ResourceID, &receipt.VersionID, &receipt.Status}
		if err := each(ctx, tx, receipts, into, func() { byKey[key] = append(byKey[key], receipt) }); err != nil {
			return err
		}
		var state json.RawMessage
		var f RowReferral
		rows, err := tx.Query(ctx, referrals)
		if err != nil {
			return err
		}
		_, err = pgx.ForEachRow(rows, []any{&person, &key, &state, &f.Version, &f.WrittenVersion, &f.Attention}, func() error {
			n, ok := at[person]
			if !ok {
				return nil
			}
			one := f
			one.Receipts = byKey[key]
			list[n].Referrals = append(list[n].Referrals, one)
			return json.Unmarshal(state, &list[n].Referrals[len(list[n].Referrals)-1].Referral)
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	return list, nil
}

// each runs f for every row of a query without arguments, after scanning it.
func each(ctx context.Context, tx pgx.Tx, sql string, into []any, f func()) error {
	rows, err := tx.Query(ctx, sql)
	if err != nil {
		return err
	}
	_, err = pgx.ForEachRow(rows, into, func() error {
		f()
		return nil
	})
	return err
}
