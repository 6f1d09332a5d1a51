package postgres

import (
	"context"
	"encoding/json"

	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// Prompt is what the record's prompt needs of a followed patient.
type Prompt struct {
	Person string
	// Answer is the newest assessment as JSON where it still holds on the day asked for: of the newest data, on the basis asked
	// for, and before the first day on which the answer can change; nil otherwise.
	Answer    []byte
	Referrals []draft.Referral // in order of their keys
	Written   []string         // keys of which a Task was written
	// Same says that each of the given resources is here with the same content.
	Same bool
}

// Prompt reads in one query what is known of a patient of a feed; fault.NotFound if the patient is not followed.
func (s *Store) Prompt(ctx context.Context, feed, patient string, basis int64, on filter.Day, given []fhir.Resource) (Prompt, error) {
	const read = `
		SELECT p.id::text, a.answer,
			(SELECT json_agg(r.state ORDER BY r.key COLLATE "C") FROM referral r WHERE r.person_id = p.id),
			ARRAY(SELECT DISTINCT c.key FROM receipt c JOIN referral r USING (key) WHERE r.person_id = p.id AND c.kind = 'Task'),
			(SELECT count(*) FROM unnest(@types::text[], @ids::text[], @digests::bytea[]) AS g (type, id, digest)
				JOIN resource r ON r.feed = @feed AND r.type = g.type AND r.id = g.id AND r.digest = g.digest
				WHERE r.current AND NOT r.deleted)
		FROM person_alias l JOIN person p ON p.id = l.person_id AND p.followed
		LEFT JOIN assessment a ON a.person_id = p.id AND a.chart_version = p.chart_version AND a.basis = @basis AND a.as_of = p.saved_as_of
			AND p.saved_version = p.chart_version AND p.saved_basis = @basis AND p.saved_as_of <= @on AND coalesce(p.due_on, 'infinity') > @on
		WHERE l.feed = @feed AND l.patient_id = @patient`
	types, ids, digests := make([]string, 0, len(given)), make([]string, 0, len(given)), make([][]byte, 0, len(given))
	for _, r := range given {
		sum := contentDigest(r.Raw)
		types, ids, digests = append(types, r.Type), append(ids, r.ID), append(digests, sum[:])
	}
	var p Prompt
	var answer, states *json.RawMessage
	var same int
	err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"feed": feed, "patient": patient, "basis": basis, "on": date(on), "types": types, "ids": ids, "digests": digests}).
		Scan(&p.Person, &answer, &states, &p.Written, &same)
	if err != nil {
		return Prompt{}, failed("read what a prompt needs", err)
	}
	if answer != nil {
		p.Answer = *answer
	}
	if states != nil {
		if err := json.Unmarshal(*states, &p.Referrals); err != nil {
			return Prompt{}, failed("read what a prompt needs", err)
		}
	}
	p.Same = same == len(given)
	return p, nil
}
