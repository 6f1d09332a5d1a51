package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"dwellwatch/fhir"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// How much of a person's context is here.
const (
	ContextPulled    = "pulled"     // the record was asked for everything and answered
	ContextPending   = "pending"    // a pull was asked for and is not done
	ContextFeedsOnly = "feeds-only" // no record can be asked
)

// Record is what is known about one person at one moment.
type Record struct {
	Person       string
	ChartVersion int64
	// Resources are the current versions that were not deleted: the person's own, and those without a patient
	// that they name, up to two steps. Order: feed, type, id.
	Resources []Stored
	Keys      []filter.KnownKey // in order of birth, without those merged into another
	Merged    []filter.KnownKey // keys merged into another, with what they stood on before, in order of birth
	Referrals []draft.Referral  // in order of birth of their keys, merged ones too
	Tasks     []TaskReceipt     // our Tasks, by key and round
	Context   string
	Gaps      []Gap // what the newest finished pull could not read
	// SavedVersion, SavedBasis and SavedAsOf name the newest saved assessment; 0, 0 and MinDay if there is none.
	SavedVersion, SavedBasis int64
	SavedAsOf                filter.Day
	// Saves counts the saved assessments; Saved.Saves takes it back.
	Saves int64
}

// TaskReceipt is one of our Tasks as it was written.
type TaskReceipt struct {
	Key        string
	Round      int
	ResourceID string
	Deleted    bool // the record says that it is gone
}

// Stored is one kept resource.
type Stored struct {
	Feed     string
	Resource fhir.Resource
}

// chartKeys is the head of a query: chart lists what Record.Resources holds, with what each names.
const chartKeys = `
	WITH own AS (
		SELECT feed, type, id, refs FROM resource WHERE person_id = @person AND current AND NOT deleted),
	near AS (
		SELECT r.feed, r.type, r.id, r.refs
		FROM (SELECT DISTINCT feed, unnest(refs) AS ref FROM own) named
		JOIN resource r ON r.feed = named.feed AND r.type = split_part(named.ref, '/', 1) AND r.id = split_part(named.ref, '/', 2)
		WHERE r.current AND NOT r.deleted AND r.person_id IS NULL),
	far AS (
		SELECT r.feed, r.type, r.id, r.refs
		FROM (SELECT DISTINCT feed, unnest(refs) AS ref FROM near) named
		JOIN resource r ON r.feed = named.feed AND r.type = split_part(named.ref, '/', 1) AND r.id = split_part(named.ref, '/', 2)
		WHERE r.current AND NOT r.deleted AND r.person_id IS NULL),
	chart AS (SELECT * FROM own UNION SELECT * FROM near UNION SELECT * FROM far)`

// Record reads one person in one snapshot; fault.NotFound if there is none.
func (s *Store) Record(ctx context.Context, person string) (Record, error) {
	const what = "read a person's record"
	if err := checkPerson(person); err != nil {
		return Record{}, failed(what, err)
	}
	var r Record
	err := s.inSnapshot(ctx, what, func(tx pgx.Tx) error {
		var b pgx.Batch // all at once: the way to the database and back takes longer than the reading
		s.queuePersonRead(&b, person, &r)
		queueChartRead(&b, person, &r.Resources)
		queueKeysRead(&b, person, &r.Keys)
		queueMergedRead(&b, person, &r.Merged)
		queueTaskReceiptsRead(&b, person, &r.Tasks)
		queueReferralsRead(&b, person, &r.Referrals)
		return tx.SendBatch(ctx, &b).Close()
	})
	if err != nil {
		return Record{}, err
	}
	return r, nil
}

func (s *Store) queuePersonRead(b *pgx.Batch, person string, r *Record) {
	const read = `
		SELECT id::text, chart_version, pull_wanted > 0 AND pull_done >= pull_wanted, coalesce(saved_version, 0), coalesce(saved_basis, 0), saved_as_of, saves, pull_gaps
		FROM person WHERE id = @person`
	b.Queue(read, pgx.NamedArgs{"person": person}).QueryRow(func(row pgx.Row) error {
		var pulled bool
		var asOf pgtype.Date
		if err := row.Scan(&r.Person, &r.ChartVersion, &pulled, &r.SavedVersion, &r.SavedBasis, &asOf, &r.Saves, &r.Gaps); err != nil {
			return err
		}
		if len(r.Gaps) == 0 {
			r.Gaps = nil
		}
		r.SavedAsOf = filter.MinDay
		if asOf.Valid {
			r.SavedAsOf = day(asOf)
		}
		switch {
		case !s.options.PullContext:
			r.Context = ContextFeedsOnly
		case pulled:
			r.Context = ContextPulled
		default:
			r.Context = ContextPending
		}
		return nil
	})
}

func queueChartRead(b *pgx.Batch, person string, into *[]Stored) {
	const read = chartKeys + `
		SELECT r.feed, r.type, r.id, r.version_id, r.last_updated, r.received_at, r.body
		FROM chart JOIN resource r USING (feed, type, id)
		WHERE r.current
		ORDER BY r.feed COLLATE "C", r.type COLLATE "C", r.id COLLATE "C"`
	b.Queue(read, pgx.NamedArgs{"person": person}).Query(func(rows pgx.Rows) error {
		var err error
		*into, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Stored, error) {
			var one Stored
			var updated *time.Time
			var received time.Time
			r := &one.Resource
			err := row.Scan(&one.Feed, &r.Type, &r.ID, &r.VersionID, &updated, &received, &r.Raw)
			r.LastUpdated = believed(timeOf(updated), received)
			return one, err
		})
		return err
	})
}

func queueKeysRead(b *pgx.Batch, person string, into *[]filter.KnownKey) {
	const read = `SELECT key, evidence, '' FROM filter_key WHERE person_id = @person AND merged_into IS NULL ORDER BY born`
	b.Queue(read, pgx.NamedArgs{"person": person}).Query(func(rows pgx.Rows) error {
		var err error
		*into, err = pgx.CollectRows(rows, pgx.RowToStructByPos[filter.KnownKey])
		return err
	})
}

func queueMergedRead(b *pgx.Batch, person string, into *[]filter.KnownKey) {
	const read = `SELECT key, evidence, merged_into FROM filter_key WHERE person_id = @person AND merged_into IS NOT NULL ORDER BY born`
	b.Queue(read, pgx.NamedArgs{"person": person}).Query(func(rows pgx.Rows) error {
		var err error
		*into, err = pgx.AppendRows([]filter.KnownKey(nil), rows, pgx.RowToStructByPos[filter.KnownKey])
		return err
	})
}

func queueTaskReceiptsRead(b *pgx.Batch, person string, into *[]TaskReceipt) {
	const read = `
		SELECT c.key, c.round, c.resource_id, EXISTS (
			SELECT FROM resource x
			WHERE x.feed = @feed AND x.type = 'Task' AND x.id = c.resource_id AND x.current AND x.deleted AND NOT x.moved)
		FROM receipt c JOIN referral r USING (key)
		WHERE r.person_id = @person AND c.kind = 'Task' ORDER BY c.key COLLATE "C", c.round`
	b.Queue(read, pgx.NamedArgs{"person": person, "feed": DefaultFeed}).Query(func(rows pgx.Rows) error {
		var err error
		*into, err = pgx.AppendRows([]TaskReceipt(nil), rows, pgx.RowToStructByPos[TaskReceipt])
		return err
	})
}

func queueReferralsRead(b *pgx.Batch, person string, into *[]draft.Referral) {
	const read = `
		SELECT r.state FROM referral r JOIN filter_key k USING (key) WHERE r.person_id = @person ORDER BY k.born`
	b.Queue(read, pgx.NamedArgs{"person": person}).Query(func(rows pgx.Rows) error {
		var err error
		*into, err = pgx.CollectRows(rows, pgx.RowTo[draft.Referral])
		return err
	})
}
