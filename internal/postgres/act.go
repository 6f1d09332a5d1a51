package postgres

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"dwellwatch/fhir"
	"dwellwatch/internal/agenda"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/screen"
)

// LocalFeed is the feed of what people enter with us.
const LocalFeed = "local"

// Act is one thing that a person did at the worklist.
type Act struct {
	Token     string // of the form; doing it twice is doing it once
	Key       string // of the filter
	At        time.Time
	Kind      string
	BySubject string
	ByName    string
	Why       string
	Until     filter.Day // MaxDay where it has no day
	Entry     string     // Type/id in the feed local; "" for a decision
	Form      string     // digest of what the form said
}

// Seen is how a person's record stood when what is decided on was read: whatever has come in or was assessed since has changed it.
type Seen struct{ Chart, Saves int64 }

// ErrOther says that another form, or the same with other content, was taken under this token; nothing was changed.
var ErrOther = errors.New("this form was sent before and said something else")

// ErrDone says that the form was taken before; nothing was changed.
var ErrDone = errors.New("this form was sent before")

// ErrMoved says that the record or the referral has changed since it was read; nothing was changed.
var ErrMoved = fmt.Errorf("what was decided on has changed: %w", fault.Superseded)

func noteAct(ctx context.Context, tx pgx.Tx, a Act) error {
	const insert = `
		INSERT INTO act (token, key, at, kind, by_subject, by_name, why, until, entry, form)
		VALUES (@token, @key, @at, @kind, @subject, @name, @why, @until, @entry, @form) ON CONFLICT (token) DO NOTHING`
	const before = `SELECT key = @key AND form = @form FROM act WHERE token = @token`
	args := pgx.NamedArgs{"token": a.Token, "key": a.Key, "at": a.At, "kind": a.Kind, "subject": a.BySubject, "name": a.ByName,
		"why": a.Why, "until": date(a.Until), "entry": a.Entry, "form": []byte(a.Form)}
	tag, err := tx.Exec(ctx, insert, args)
	if err != nil || tag.RowsAffected() > 0 {
		return err
	}
	same := false
	if err := tx.QueryRow(ctx, before, args).Scan(&same); err != nil {
		return err
	}
	if !same {
		return ErrOther
	}
	return ErrDone
}

// unmoved refuses what was decided on something that is no more. chart is the version that the person's chart must have.
func unmoved(ctx context.Context, tx pgx.Tx, person string, chart, saves int64) error {
	const read = `SELECT chart_version = @chart AND saves = @saves FROM person WHERE id = @person FOR UPDATE`
	same := false
	err := tx.QueryRow(ctx, read, pgx.NamedArgs{"person": person, "chart": chart, "saves": saves}).Scan(&same)
	if err == nil && !same {
		return ErrMoved
	}
	return err
}

// Acts lists what people did about a filter, the newest first.
func (s *Store) Acts(ctx context.Context, key string) ([]Act, error) {
	const what = "read what was done"
	const read = `
		SELECT token, key, at, kind, by_subject, by_name, why, until, entry, form FROM act WHERE key = @key ORDER BY at DESC, token LIMIT 200`
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"key": key})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Act, error) {
		var a Act
		var until pgtype.Date
		var form []byte
		err := row.Scan(&a.Token, &a.Key, &a.At, &a.Kind, &a.BySubject, &a.ByName, &a.Why, &until, &a.Entry, &form)
		a.Form = string(form)
		a.At, a.Until = a.At.UTC(), day(until)
		return a, err
	})
	return list, failed(what, err)
}

// PersonOf gives the person whose filter a key is; fault.NotFound if nobody's.
func (s *Store) PersonOf(ctx context.Context, key string) (string, error) {
	const read = `SELECT person_id::text FROM filter_key WHERE key = @key AND person_id IS NOT NULL`
	var person string
	err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"key": key}).Scan(&person)
	return person, failed("find whose filter it is", err)
}

// Enter takes entries of the feed local about a person's filter, and notes the act, in one transaction. It gives the chart version
// that holds them. ErrDone: the form was sent before. ErrMoved: something has come in, or was assessed, since seen. The entries are kept as those of the patient whose the
// filter is (Home), and start following nobody.
func (s *Store) Enter(ctx context.Context, person string, seen Seen, a Act, entries []fhir.Resource) (int64, error) {
	const what = "enter"
	if err := checkPerson(person); err != nil {
		return 0, failed(what, err)
	}
	home, err := s.home(ctx, person, a.Key)
	if err != nil {
		return 0, failed(what, err)
	}
	items := make([]screen.Item, 0, len(entries))
	for _, r := range entries {
		items = append(items, screen.Item{Feed: LocalFeed, Resource: r, Patient: personOf(home), Retracted: screen.Name(r, "").Retracted})
	}
	first := func(ctx context.Context, tx pgx.Tx) error {
		if err := noteAct(ctx, tx, a); err != nil {
			return err
		}
		return localAlias(ctx, tx, person, personOf(home))
	}
	// The entries themselves have raised the chart by one.
	last := func(ctx context.Context, tx pgx.Tx) error { return unmoved(ctx, tx, person, seen.Chart+1, seen.Saves) }
	if _, err := s.acceptItems(ctx, items, a.At, manner{first: first, last: last}); err != nil {
		return 0, err
	}
	const version = `SELECT chart_version FROM person WHERE id = @person`
	var n int64
	err = s.pool.QueryRow(ctx, version, pgx.NamedArgs{"person": person}).Scan(&n)
	return n, failed(what, err)
}

// Home gives the feed and patient id that entries about a filter stand beside: those of whom the entries tell that make the filter, so
// that a merge that is taken back takes them along.
func (s *Store) Home(ctx context.Context, person, key string) (feed, patient string, err error) {
	a, err := s.home(ctx, person, key)
	return a.feed, a.patient, failed("find whose an entry is", err)
}

func (s *Store) home(ctx context.Context, person, key string) (alias, error) {
	const read = `
		SELECT a.feed, a.patient_id FROM person_alias a WHERE a.person_id = @person AND a.feed <> @local
		ORDER BY NOT EXISTS (
				SELECT FROM filter_key k, unnest(k.evidence) AS e
				JOIN resource r ON r.type || '/' || r.id = regexp_replace(split_part(e, '#', 1), '^.*/([^/]+/[^/]+)$', '\1')
				WHERE k.key = @key AND r.person_id = @person AND r.current AND r.feed = a.feed AND r.patient_id = a.patient_id),
			a.feed <> @record, a.feed COLLATE "C", a.patient_id COLLATE "C" LIMIT 1`
	var a alias
	err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"person": person, "key": key, "local": LocalFeed, "record": DefaultFeed}).Scan(&a.feed, &a.patient)
	return a, err
}

func localAlias(ctx context.Context, tx pgx.Tx, person, patient string) error {
	const insert = `
		INSERT INTO person_alias (feed, patient_id, person_id) SELECT @feed, @patient, @person
		WHERE NOT EXISTS (SELECT FROM person_alias WHERE feed = @feed AND patient_id = @patient)`
	_, err := tx.Exec(ctx, insert, pgx.NamedArgs{"feed": LocalFeed, "patient": patient, "person": person})
	return err
}

// Decision is a person's decision on a referral, as draft.Decide gave it.
type Decision struct {
	Act      Act
	Seen     Seen
	Expected int64 // version of the referral that was decided on
	Referral draft.Referral
	Document []byte
	Line     agenda.Line // how the filter stands on the worklist from now on
}

// Decide saves a decision and queues what follows, in one transaction: the write-back of the referral, and an assessment, which finds
// the decision made. ErrDone: the form was sent before. ErrMoved: the referral is in another version by now.
func (s *Store) Decide(ctx context.Context, person string, d Decision) error {
	const what = "save a decision"
	const raise = `
		UPDATE person SET chart_version = chart_version + 1, saves = saves + 1 WHERE id = @person RETURNING chart_version`
	const current = `SELECT version FROM referral WHERE key = @key AND person_id = @person FOR UPDATE`
	if err := checkPerson(person); err != nil {
		return failed(what, err)
	}
	who, err := s.whoami(ctx)
	if err != nil {
		return failed(what, err)
	}
	return s.inTx(ctx, what, func(tx pgx.Tx) error {
		if err := lockPerson(ctx, tx, person); err != nil {
			return err
		}
		if err := noteAct(ctx, tx, d.Act); err != nil {
			return err
		}
		if err := unmoved(ctx, tx, person, d.Seen.Chart, d.Seen.Saves); err != nil {
			return err
		}
		var version, chart int64
		if err := tx.QueryRow(ctx, current, pgx.NamedArgs{"key": d.Referral.Key, "person": person}).Scan(&version); err != nil {
			return err
		}
		if version != d.Expected {
			return ErrMoved
		}
		number, err := saveReferral(ctx, tx, person, SavedReferral{Referral: d.Referral, Document: d.Document, Changed: true})
		if err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, raise, pgx.NamedArgs{"person": person}).Scan(&chart); err != nil {
			return err
		}
		if err := saveLine(ctx, tx, who, d.Line); err != nil {
			return err
		}
		var follow work
		follow.add(jobs.WriteBack{Key: d.Referral.Key, Version: number})
		follow.add(jobs.AssessPatient{Person: person, Version: chart})
		return s.enqueue(ctx, tx, follow)
	})
}

// Said is one saved answer about a person.
type Said struct {
	AsOf         filter.Day
	ChartVersion int64
	Policy       string
	MadeAt       time.Time
	Answer       []byte // assess.Assessment as JSON
}

// Said gives the newest saved answers about a person, the newest first, at most limit.
func (s *Store) Said(ctx context.Context, person string, limit int) ([]Said, error) {
	const what = "read what was said"
	const read = `
		SELECT a.as_of, a.chart_version, b.policy, a.made_at, a.answer FROM assessment a JOIN basis b ON b.number = a.basis
		WHERE a.person_id = @person ORDER BY a.basis DESC, a.chart_version DESC, a.as_of DESC LIMIT @limit`
	if err := checkPerson(person); err != nil {
		return nil, failed(what, err)
	}
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"person": person, "limit": limit})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Said, error) {
		var one Said
		var asOf pgtype.Date
		err := row.Scan(&asOf, &one.ChartVersion, &one.Policy, &one.MadeAt, &one.Answer)
		one.AsOf = day(asOf)
		return one, err
	})
	return list, failed(what, err)
}

// Assessed reports whether a saved answer about a person knows a chart version.
func (s *Store) Assessed(ctx context.Context, person string, version int64) (bool, error) {
	const read = `SELECT coalesce(saved_version, 0) >= @version FROM person WHERE id = @person`
	var done bool
	err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"person": person, "version": version}).Scan(&done)
	return done, failed("look for an assessment", err)
}

// TaskVersion is one version of our Task as the record told of it.
type TaskVersion struct {
	ReceivedAt time.Time
	Body       []byte // nil where it was deleted
}

// TaskVersions gives all that was told of our Tasks for a filter, in order of receipt.
func (s *Store) TaskVersions(ctx context.Context, key string) ([]TaskVersion, error) {
	const what = "read a referral's life"
	const read = `
		SELECT DISTINCT ON (x.received_at, x.id, x.version) x.received_at, nullif(x.body, '')
		FROM receipt c JOIN resource x ON x.feed = @feed AND x.type = 'Task' AND x.id = c.resource_id
		WHERE c.key = @key AND c.kind = 'Task' ORDER BY x.received_at, x.id, x.version`
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"key": key, "feed": DefaultFeed})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[TaskVersion])
	return list, failed(what, err)
}

// EntryID gives the id of an entry that a form makes: a UUIDv5, so that sending it twice names the same.
func EntryID(token string, n int) string {
	return uuid.NewSHA1(personSpace, fmt.Appendf(nil, "entry|%s|%d", token, n)).String()
}

// homeOf finds, among the patient ids of persons, the one that an alias of the feed local stands beside.
func homeOf(local alias, persons []alias) (alias, bool) {
	at := slices.IndexFunc(persons, func(a alias) bool { return a.feed != LocalFeed && personOf(a) == local.patient })
	if at < 0 {
		return alias{}, false
	}
	return persons[at], true
}
