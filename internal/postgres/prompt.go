package postgres

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// Prompt is what the record's prompt needs first of a followed patient.
type Prompt struct {
	Person string
	// Saves is Record.Saves: what Said gives for the same person and number is the same.
	Saves int64
	// Holds says that the newest saved assessment still holds on the day asked for: it is of the newest data, on the basis asked for,
	// and that day lies before the first on which the answer can change.
	Holds   bool
	Written []string // keys of which a Task was written
	// Same says that each of the given resources is here in the same version, or with the same content.
	Same bool
}

// Prompt reads in one query what is known of a patient of a feed; fault.NotFound if the patient is not followed.
func (s *Store) Prompt(ctx context.Context, feed, patient string, basis int64, on filter.Day, given []fhir.Resource) (Prompt, error) {
	const read = `
		SELECT p.id::text, p.saves, coalesce(p.saved_version = p.chart_version AND p.saved_basis = @basis AND p.saved_as_of <= @on AND coalesce(p.due_on, 'infinity') > @on, false),
			ARRAY(SELECT DISTINCT c.key FROM referral r JOIN receipt c USING (key) WHERE r.person_id = p.id AND c.kind = 'Task'),
			CASE WHEN coalesce(cardinality(@types::text[]), 0) = 0 THEN 0 ELSE (
				SELECT count(*) FROM unnest(@types::text[], @ids::text[], @versions::text[], @updated::timestamptz[], @digests::bytea[]) AS g (type, id, version_id, last_updated, digest)
				JOIN resource r ON r.feed = @feed AND r.type = g.type AND r.id = g.id
				WHERE r.current AND NOT r.deleted AND (r.digest = g.digest OR r.version_id = g.version_id AND r.last_updated = g.last_updated)) END
		FROM person_alias l JOIN person p ON p.id = l.person_id AND p.followed
		WHERE l.feed = @feed AND l.patient_id = @patient`
	var types, ids, versions []string
	var updated []*time.Time
	var digests [][]byte
	for _, r := range given {
		types, ids = append(types, r.Type), append(ids, r.ID)
		if fhir.ValidID(r.VersionID) && !r.LastUpdated.IsZero() {
			// A version never changes (https://hl7.org/fhir/R4/resource.html#Meta): its content need not be compared.
			at := r.LastUpdated.Truncate(time.Microsecond)
			versions, updated, digests = append(versions, r.VersionID), append(updated, &at), append(digests, nil)
			continue
		}
		sum := contentDigest(r.Raw)
		versions, updated, digests = append(versions, ""), append(updated, nil), append(digests, sum[:])
	}
	args := pgx.NamedArgs{"feed": feed, "patient": patient, "basis": basis, "on": date(on), "types": types, "ids": ids, "versions": versions, "updated": updated, "digests": digests}
	var p Prompt
	var same int
	err := s.pool.QueryRow(ctx, read, args).
		Scan(&p.Person, &p.Saves, &p.Holds, &p.Written, &same)
	if err != nil {
		return Prompt{}, failed("read what a prompt needs", err)
	}
	p.Same = same == len(given)
	return p, nil
}

// Answered is the newest saved answer about a person with the referrals saved by then.
type Answered struct {
	Saves     int64
	Answer    []byte           // assess.Assessment as JSON
	Referrals []draft.Referral // in order of their keys
}

// Answered reads it in one query; fault.NotFound if the person is gone or was never assessed.
func (s *Store) Answered(ctx context.Context, person string) (Answered, error) {
	const what = "read the newest answer"
	const read = `
		SELECT p.saves, a.answer, (SELECT coalesce(json_agg(r.state ORDER BY r.key COLLATE "C"), '[]') FROM referral r WHERE r.person_id = p.id)
		FROM person p JOIN assessment a ON a.person_id = p.id AND a.chart_version = p.saved_version AND a.basis = p.saved_basis AND a.as_of = p.saved_as_of
		WHERE p.id = @person`
	if err := checkPerson(person); err != nil {
		return Answered{}, failed(what, err)
	}
	var a Answered
	var answer, states json.RawMessage
	if err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"person": person}).Scan(&a.Saves, &answer, &states); err != nil {
		return Answered{}, failed(what, err)
	}
	a.Answer = answer
	return a, failed(what, json.Unmarshal(states, &a.Referrals))
}
