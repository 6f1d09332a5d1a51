package postgres

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"
)

// key names one resource of one feed.
type key struct{ feed, kind, id string }

func keyOf(i screen.Item) key { return key{i.Feed, i.Resource.Type, i.Resource.ID} }

// named gives the key that a reference of the same feed names.
func named(feed, ref string) key {
	kind, id, _ := strings.Cut(ref, "/")
	return key{feed, kind, id}
}

func (k key) ref() string { return k.kind + "/" + k.id }

// alias is a patient as one feed calls them.
type alias struct{ feed, patient string }

// namer is a current resource that names another one, directly or through one that names no patient.
type namer struct {
	key    key
	person string // "" where it names no patient itself
}

// known is what the database holds about the items of one call.
type known struct {
	persons map[alias]string // followed persons only
	kept    map[key]history
	retired map[key]retraction
	namers  map[key][]namer
	devices map[key]bool // filter devices held without a patient
	here    map[key]bool // devices of which something is here, and is not gone
	waiting map[key]waiting
	named   []waiting             // that name a Device of the call
	told    map[key]fhir.Resource // Patients, and things of no named patient, that go by a temporary name
}

// read collects what is known about the items. It runs once without locks, to learn which are needed, and again under them.
func read(ctx context.Context, tx pgx.Tx, who *identity, items []screen.Item) (known, error) {
	k := known{persons: map[alias]string{}, kept: map[key]history{}, retired: map[key]retraction{}, namers: map[key][]namer{},
		devices: map[key]bool{}, here: map[key]bool{}, waiting: map[key]waiting{}, told: map[key]fhir.Resource{}}
	keys := make([]key, 0, len(items))
	var aliases []alias
	var devices []key
	for _, i := range items {
		keys = append(keys, keyOf(i))
		if i.Patient != "" {
			aliases = append(aliases, alias{i.Feed, i.Patient})
		}
		for _, other := range i.Links {
			aliases = append(aliases, alias{i.Feed, other})
		}
		devices = append(devices, usedDevices(i)...)
	}
	b := &pgx.Batch{}
	queueAliasRead(b, aliases, &k)
	queueVersionRead(b, keys, &k)
	queueRetractionRead(b, who, keys, &k)
	queueDeviceRead(b, devices, &k)
	queueWaitingRead(b, keys, &k)
	queueToldRead(b, items, &k)
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return known{}, err
	}
	if err := readNamers(ctx, tx, namable(items, k), &k); err != nil {
		return known{}, err
	}
	if err := readFormer(ctx, tx, items, &k); err != nil {
		return known{}, err
	}
	return k, nil
}

// usedDevices lists the devices that a procedure or a device-use statement of a patient names.
func usedDevices(i screen.Item) []key {
	if i.Patient == "" || gone(i) || i.Resource.Type != "Procedure" && i.Resource.Type != "DeviceUseStatement" {
		return nil
	}
	var list []key
	for _, ref := range i.Refs {
		if k := named(i.Feed, ref); k.kind == "Device" {
			list = append(list, k)
		}
	}
	return list
}

// barred reports an item that must change nothing, and would: of the resource something was heard, or somebody's entry waits for it or
// names it.
func (k known) barred(i screen.Item) bool {
	at := keyOf(i)
	if !i.New {
		return false
	}
	_, retired := k.retired[at]
	_, held := k.waiting[at]
	return retired || held || len(k.kept[at]) > 0 || i.Patient == "" && (len(k.namers[at]) > 0 ||
		slices.ContainsFunc(k.named, func(w waiting) bool { return slices.Contains(w.item.Refs, at.ref()) }))
}

// admissible gives the items that are not barred, and which of them all are.
func (k known) admissible(items []screen.Item) (admitted []screen.Item, barred []bool) {
	for _, i := range items {
		out := k.barred(i)
		if barred = append(barred, out); !out {
			admitted = append(admitted, i)
		}
	}
	return admitted, barred
}

// spread gives the outcomes of all items, of which those that are not barred have theirs already.
func spread(barred []bool, outcomes []screen.Outcome) []screen.Outcome {
	out := make([]screen.Outcome, len(barred))
	for n, no := range barred {
		if no {
			out[n].Fate = screen.Dropped
			continue
		}
		out[n], outcomes = outcomes[0], outcomes[1:]
	}
	return out
}

// namable lists the items that name no patient now or did not before: what names them may count or change.
func namable(items []screen.Item, k known) []key {
	var list []key
	for _, i := range items {
		cur := k.kept[keyOf(i)].current()
		if i.Patient == "" || cur != nil && cur.person == "" {
			list = append(list, keyOf(i))
		}
	}
	return list
}

func queueAliasRead(b *pgx.Batch, aliases []alias, k *known) {
	const read = `
		SELECT a.feed, a.patient_id, a.person_id::text
		FROM unnest(@feeds::text[], @patients::text[]) AS want (feed, patient_id)
		JOIN person_alias a USING (feed, patient_id) JOIN person p ON p.id = a.person_id
		WHERE p.followed`
	if len(aliases) == 0 {
		return
	}
	var feeds, patients []string
	for _, a := range aliases {
		feeds, patients = append(feeds, a.feed), append(patients, a.patient)
	}
	b.Queue(read, pgx.NamedArgs{"feeds": feeds, "patients": patients}).Query(func(rows pgx.Rows) error {
		var a alias
		var person string
		_, err := pgx.ForEachRow(rows, []any{&a.feed, &a.patient, &person}, func() error {
			k.persons[a] = person
			return nil
		})
		return err
	})
}

// columns splits keys into the arrays that SQL unnests.
func columns(keys []key) pgx.NamedArgs {
	feeds, kinds, ids, refs := make([]string, 0, len(keys)), make([]string, 0, len(keys)), make([]string, 0, len(keys)), make([]string, 0, len(keys))
	for _, k := range keys {
		feeds, kinds, ids, refs = append(feeds, k.feed), append(kinds, k.kind), append(ids, k.id), append(refs, k.ref())
	}
	return pgx.NamedArgs{"feeds": feeds, "types": kinds, "ids": ids, "refs": refs}
}

func queueVersionRead(b *pgx.Batch, keys []key, k *known) {
	const read = `
		SELECT r.feed, r.type, r.id, r.version, r.version_id, r.last_updated, r.received_at, r.digest,
			coalesce(r.person_id::text, ''), r.patient_id, r.deleted, r.retracted, r.moved, r.evidence, r.current
		FROM (SELECT DISTINCT feed, type, id FROM unnest(@feeds::text[], @types::text[], @ids::text[]) AS given (feed, type, id)) want
		JOIN resource r USING (feed, type, id)
		ORDER BY r.feed, r.type, r.id, r.version`
	b.Queue(read, columns(keys)).Query(func(rows pgx.Rows) error {
		var at key
		var v version
		var updated *time.Time
		var digest []byte
		into := []any{&at.feed, &at.kind, &at.id, &v.number, &v.versionID, &updated, &v.receivedAt, &digest,
			&v.person, &v.patient, &v.deleted, &v.retracted, &v.moved, &v.evidence, &v.current}
		_, err := pgx.ForEachRow(rows, into, func() error {
			one := v
			one.lastUpdated = believed(timeOf(updated), v.receivedAt)
			copy(one.digest[:], digest)
			k.kept[at] = append(k.kept[at], &one)
			return nil
		})
		return err
	})
}

func queueDeviceRead(b *pgx.Batch, devices []key, k *known) {
	const read = `
		SELECT DISTINCT r.feed, r.type, r.id, r.evidence AND r.person_id IS NULL
		FROM unnest(@feeds::text[], @types::text[], @ids::text[]) AS want (feed, type, id) JOIN resource r USING (feed, type, id)
		WHERE r.current AND NOT r.retracted AND (r.moved OR NOT r.deleted)`
	if len(devices) == 0 {
		return
	}
	b.Queue(read, columns(devices)).Query(func(rows pgx.Rows) error {
		var at key
		var unassigned bool
		_, err := pgx.ForEachRow(rows, []any{&at.feed, &at.kind, &at.id, &unassigned}, func() error {
			k.here[at] = true
			if unassigned {
				k.devices[at] = true
			}
			return nil
		})
		return err
	})
}

// readNamers finds what names the keys: one step, and a second one through resources that name no patient. OFFSET 0,
// and no scan of the table, make PostgreSQL look each name up in the index: left to itself, or without fresh statistics, it
// compares all of a large call with the whole table.
func readNamers(ctx context.Context, tx pgx.Tx, keys []key, k *known) error {
	const read = `
		WITH want AS (SELECT DISTINCT feed, ref FROM unnest(@feeds::text[], @refs::text[]) AS given (feed, ref)),
		near AS (
			SELECT want.feed, want.ref AS root, r.type, r.id, r.person_id
			FROM want CROSS JOIN LATERAL (
				SELECT type, id, person_id FROM resource
				WHERE current AND refs @> ARRAY[want.ref] AND feed = want.feed OFFSET 0) r),
		far AS (
			SELECT near.feed, near.root, r.type, r.id, r.person_id
			FROM near CROSS JOIN LATERAL (
				SELECT type, id, person_id FROM resource
				WHERE current AND refs @> ARRAY[near.type || '/' || near.id] AND feed = near.feed OFFSET 0) r
			WHERE near.person_id IS NULL)
		SELECT feed, root, type, id, coalesce(person_id::text, '') FROM near
		UNION
		SELECT feed, root, type, id, coalesce(person_id::text, '') FROM far`
	if len(keys) == 0 {
		return nil
	}
	if _, err := tx.Exec(ctx, `SET LOCAL enable_seqscan = off`); err != nil {
		return err
	}
	rows, err := tx.Query(ctx, read, columns(keys))
	if err != nil {
		return err
	}
	var root string
	var n namer
	_, err = pgx.ForEachRow(rows, []any{&n.key.feed, &root, &n.key.kind, &n.key.id, &n.person}, func() error {
		at := named(n.key.feed, root)
		k.namers[at] = append(k.namers[at], n)
		return nil
	})
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `SET LOCAL enable_seqscan = on`)
	for _, list := range k.namers {
		slices.SortFunc(list, func(a, b namer) int { return strings.Compare(a.key.ref(), b.key.ref()) })
	}
	return err
}
