package postgres

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/screen"
)

// acceptTries bounds how often Accept starts again when other transactions change what it planned for.
const acceptTries = 20

// errPlanChanged says that under locks the plan needs more than was locked.
var errPlanChanged = errors.New("the plan changed under its locks")

// Accept takes screened items in one transaction and gives what became of each, in order. Whoever's chart it changes gets
// a new chart version, at most one per call, and one AssessPatient job for it; new evidence, new persons and two contents of which
// only the order of receipt tells what counts get a PullContext job where Options.PullContext says so. Nothing is kept, and no job made, if it fails. An item without feed,
// type, id or bytes is fault.Invalid. An item that clashes (see Clashes) is fault.Unavailable: it came while another call was under way,
// and Clashes names it now. now is the time of receipt.
func (s *Store) Accept(ctx context.Context, items []screen.Item, now time.Time) ([]screen.Outcome, error) {
	return s.acceptItems(ctx, items, now, manner{})
}

// AcceptHeld is Accept for items that came at received, were kept aside, and are taken only now. Where neither version numbers nor
// times tell the order, whatever came after received counts as newer, although it was accepted earlier.
func (s *Store) AcceptHeld(ctx context.Context, items []screen.Item, received time.Time) ([]screen.Outcome, error) {
	return s.acceptItems(ctx, items, received, manner{held: true})
}

// manner is how items are taken: held ones came earlier and were kept aside. What is not nil of first and last is done before and after
// it in the same transaction.
type manner struct {
	held        bool
	first, last func(context.Context, pgx.Tx) error
}

func (s *Store) acceptItems(ctx context.Context, items []screen.Item, now time.Time, how manner) ([]screen.Outcome, error) {
	const what = "accept"
	if len(items) == 0 {
		return nil, nil
	}
	who, err := s.whoami(ctx)
	if err != nil {
		return nil, failed(what, err)
	}
	items, err = prepared(items, now)
	if err != nil {
		return nil, failed(what, err)
	}
	need := locks{slots: slots{}, persons: set{}}
	for range acceptTries {
		var outcomes []screen.Outcome
		err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
			if how.first != nil {
				if err := how.first(ctx, tx); err != nil {
					return err
				}
			}
			var err error
			if outcomes, err = s.accept(ctx, tx, who, items, now.Truncate(time.Microsecond), how, &need); err != nil || how.last == nil {
				return err
			}
			return how.last(ctx, tx)
		})
		if err == nil {
			return outcomes, nil
		}
		if !errors.Is(err, errPlanChanged) && !conflict(err) {
			return nil, failed(what, err)
		}
	}
	return nil, fmt.Errorf("%s: too many others change the same entries: %w", what, fault.Unavailable)
}

// locks is what a call must hold; it grows when a try finds that it needs more.
type locks struct {
	slots   slots
	persons set
}

func (l *locks) join(p plan) {
	l.slots.join(p.slots)
	for id := range p.persons() {
		l.persons.add(id)
	}
}

// accept is one try: plan without locks, lock, plan again, write. Most calls hold nothing for us and end after the first plan.
func (s *Store) accept(ctx context.Context, tx pgx.Tx, who *identity, items []screen.Item, now time.Time, how manner, need *locks) ([]screen.Outcome, error) {
	first, _, err := s.work(ctx, tx, who, items, now, how, nil)
	if err != nil {
		return nil, err
	}
	if first.empty() {
		return first.outcomes, nil
	}
	need.join(first)
	if err := lockSlots(ctx, tx, need.slots); err != nil {
		return nil, err
	}
	fresh, err := begin(ctx, tx, first.begun, now)
	if err != nil {
		return nil, err
	}
	locked, err := lockPersons(ctx, tx, need.persons)
	if err != nil {
		return nil, err
	}
	p, k, err := s.work(ctx, tx, who, items, now, how, fresh)
	if err != nil {
		return nil, err
	}
	if !need.slots.covers(p.slots) || !covers(locked, p.persons()) || len(p.begun) > 0 || !allKeep(p, k, fresh) {
		need.join(p)
		return nil, errPlanChanged
	}
	if err := s.write(ctx, tx, who, p); err != nil {
		return nil, err
	}
	if err := regroup(ctx, tx, p, k, now); err != nil {
		return nil, err
	}
	return p.outcomes, s.raise(ctx, tx, p)
}

// work plans the items, together with what was held for want of a device or a patient that they bring. Whoever the call would
// begin, and ends with nothing of theirs, as when an entry goes over to somebody else, is idle and not begun.
func (s *Store) work(ctx context.Context, tx pgx.Tx, who *identity, items []screen.Item, now time.Time, how manner, fresh map[alias]bool) (plan, known, error) {
	var joined []waiting
	idle := map[alias]bool{}
	for {
		all := items
		for _, w := range joined {
			all = append(slices.Clip(all), w.item)
		}
		k, err := read(ctx, tx, who, all)
		if err != nil {
			return plan{}, known{}, err
		}
		if _, clash := k.clashes(items); clash {
			return plan{}, known{}, fmt.Errorf("a temporary name stands for something else: %w", fault.Unavailable)
		}
		admitted, barred := k.admissible(items)
		p := newPlan(admitted, joined, k, now, how.held, fresh, idle)
		before := len(idle)
		for a, person := range p.begun {
			if !p.keeps(person) {
				idle[a] = true
			}
		}
		if len(idle) > before {
			continue
		}
		more, err := joining(ctx, tx, p, k, fresh)
		if err != nil {
			return plan{}, known{}, err
		}
		more = slices.DeleteFunc(more, func(w waiting) bool {
			return slices.ContainsFunc(joined, func(j waiting) bool { return j.key() == w.key() })
		})
		if len(more) == 0 {
			p.outcomes = spread(barred, p.outcomes)
			return p, k, nil
		}
		joined = append(joined, more...)
		clear(idle) // what is joined may be theirs
	}
}

// allKeep reports whether each person made by this transaction still has something to be followed for.
func allKeep(p plan, k known, fresh map[alias]bool) bool {
	for a := range fresh {
		if !p.keeps(k.persons[a]) {
			return false
		}
	}
	return true
}

// keeps reports whether the plan ends with an entry of a person.
func (p plan) keeps(person string) bool {
	return slices.ContainsFunc(p.rows, func(r row) bool { return r.version.person == person && r.version.current })
}

func covers(held set, wanted set) bool {
	for id := range wanted {
		if !held[id] {
			return false
		}
	}
	return true
}

// prepared checks the items and brings their values to what the database keeps: whole microseconds, no zero bytes, no time that lies
// ahead of when they were received. Raw stays as it came.
func prepared(items []screen.Item, received time.Time) ([]screen.Item, error) {
	clean := func(s string) string { return strings.ToValidUTF8(strings.ReplaceAll(s, "\x00", ""), "\uFFFD") }
	out := slices.Clone(items)
	for n := range out {
		i := &out[n]
		r := &i.Resource
		if i.Feed == "" || r.Type == "" || r.ID == "" || len(r.Raw) == 0 && !i.Deleted {
			return nil, fmt.Errorf("item %d has no feed, type, id or content: %w", n, fault.Invalid)
		}
		r.Type, r.ID, r.VersionID, i.Patient = clean(r.Type), clean(r.ID), clean(r.VersionID), clean(i.Patient)
		r.LastUpdated = believed(r.LastUpdated, received).Truncate(time.Microsecond).UTC()
		i.Refs = slices.Clone(i.Refs)
		for m := range i.Refs {
			i.Refs[m] = clean(i.Refs[m])
		}
		i.Links = slices.Clone(i.Links)
		for m := range i.Links {
			i.Links[m] = clean(i.Links[m])
		}
	}
	return out, nil
}

// lockSlots takes the slots in ascending order; they are given back when the transaction ends.
func lockSlots(ctx context.Context, tx pgx.Tx, wanted slots) error {
	const class = 0x6477 // tells our advisory locks from those of others in the same database
	const lock = `
		SELECT CASE WHEN alone THEN pg_advisory_xact_lock(@class::int, slot) ELSE pg_advisory_xact_lock_shared(@class::int, slot) END
		FROM unnest(@slots::int[], @alone::boolean[]) AS wanted (slot, alone)`
	var order []int32
	for n := range wanted {
		order = append(order, n)
	}
	slices.Sort(order)
	alone := make([]bool, len(order))
	for n, slot := range order {
		alone[n] = wanted[slot]
	}
	_, err := tx.Exec(ctx, lock, pgx.NamedArgs{"class": class, "slots": order, "alone": alone})
	return err
}

// begin makes the persons and aliases that are not there yet and gives the aliases it made. A person is due on the day of
// arrival until assessed, so that the sweep finds whoever was never assessed.
func begin(ctx context.Context, tx pgx.Tx, begun map[alias]string, now time.Time) (map[alias]bool, error) {
	const makePerson = `
		INSERT INTO person (id, due_on) SELECT id, @today::date FROM unnest(@persons::uuid[]) AS new (id) ORDER BY id
		ON CONFLICT (id) DO NOTHING`
	const makeAlias = `
		INSERT INTO person_alias (feed, patient_id, person_id)
		SELECT feed, patient_id, person_id
		FROM unnest(@feeds::text[], @patients::text[], @persons::uuid[]) AS new (feed, patient_id, person_id)
		ORDER BY person_id
		ON CONFLICT (feed, patient_id) DO NOTHING
		RETURNING feed, patient_id`
	if len(begun) == 0 {
		return nil, nil
	}
	var feeds, patients, persons []string
	for a, person := range begun {
		feeds, patients, persons = append(feeds, a.feed), append(patients, a.patient), append(persons, person)
	}
	args := pgx.NamedArgs{"feeds": feeds, "patients": patients, "persons": persons, "today": now.UTC()}
	if _, err := tx.Exec(ctx, makePerson, args); err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, makeAlias, args)
	if err != nil {
		return nil, err
	}
	fresh := map[alias]bool{}
	var a alias
	_, err = pgx.ForEachRow(rows, []any{&a.feed, &a.patient}, func() error {
		fresh[a] = true
		return nil
	})
	return fresh, err
}

// lockPersons locks persons in id order and gives those that exist.
func lockPersons(ctx context.Context, tx pgx.Tx, persons set) (set, error) {
	const lock = `SELECT id::text FROM person WHERE id = ANY(@persons::uuid[]) ORDER BY id FOR UPDATE`
	rows, err := tx.Query(ctx, lock, pgx.NamedArgs{"persons": persons.sorted()})
	if err != nil {
		return nil, err
	}
	locked := set{}
	var id string
	_, err = pgx.ForEachRow(rows, []any{&id}, func() error {
		locked.add(id)
		return nil
	})
	return locked, err
}

// write stores the versions and the hashes of a plan.
func (s *Store) write(ctx context.Context, tx pgx.Tx, who *identity, p plan) error {
	const demote = `UPDATE resource SET current = false WHERE feed = @feed AND type = @type AND id = @id AND current`
	const insert = `
		INSERT INTO resource (feed, type, id, version, version_id, last_updated, received_at, digest, person_id,
			deleted, retracted, moved, evidence, current, body, doc, refs, patient_id, links)
		VALUES (@feed, @type, @id, @version, @version_id, @last_updated, @received_at, @digest, nullif(@person, '')::uuid,
			@deleted, @retracted, @moved, @evidence, @current, @body, @doc, @refs, @patient, @links)`
	b := &pgx.Batch{}
	for _, k := range p.demoted {
		b.Queue(demote, pgx.NamedArgs{"feed": k.feed, "type": k.kind, "id": k.id})
	}
	for _, r := range p.rows {
		v := r.version
		body, refs, links := r.raw, r.refs, r.links
		if body == nil {
			body = []byte{}
		}
		if refs == nil {
			refs = []string{}
		}
		if links == nil {
			links = []string{}
		}
		b.Queue(insert, pgx.NamedArgs{"feed": r.key.feed, "type": r.key.kind, "id": r.key.id, "version": v.number,
			"version_id": v.versionID, "last_updated": stampOf(v.lastUpdated), "received_at": v.receivedAt, "digest": v.digest[:],
			"person": v.person, "deleted": v.deleted, "retracted": v.retracted, "moved": v.moved, "evidence": v.evidence,
			"current": v.current, "body": body, "doc": queryable(r.raw), "refs": refs,
			"patient": v.patient, "links": links})
	}
	queueRetractionWrite(b, who, p.retired)
	s.queueWaitingWrite(b, p)
	return tx.SendBatch(ctx, b).Close()
}

// raise counts the changed charts up and queues what follows.
func (s *Store) raise(ctx context.Context, tx pgx.Tx, p plan) error {
	const raise = `
		UPDATE person SET chart_version = chart_version + 1, pull_wanted = pull_wanted + (id = ANY(@pulled::uuid[]))::int
		WHERE id = ANY(@changed::uuid[])
		RETURNING id::text, chart_version, pull_wanted`
	if s.options.PullContext {
		for person := range p.doubted {
			p.changed.add(person)
			p.pulled.add(person)
		}
	}
	if len(p.changed) == 0 {
		return nil
	}
	pulled := []string{}
	if s.options.PullContext {
		pulled = p.pulled.sorted()
	}
	rows, err := tx.Query(ctx, raise, pgx.NamedArgs{"changed": p.changed.sorted(), "pulled": pulled})
	if err != nil {
		return err
	}
	var follow work
	var person string
	var chart, pull int64
	_, err = pgx.ForEachRow(rows, []any{&person, &chart, &pull}, func() error {
		follow.add(jobs.AssessPatient{Person: person, Version: chart})
		if s.options.PullContext && p.pulled[person] {
			follow.add(jobs.PullContext{Person: person, Version: pull})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.enqueue(ctx, tx, follow)
}
