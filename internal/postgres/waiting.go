package postgres

import (
	"cmp"
	"context"
	"crypto/sha256"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/screen"
)

// A rest-hook tells of a device use before it tells of the device as often as after. So a procedure or a device-use statement
// about a patient who is not followed, whose device is not here, is held: nobody is followed for it and nothing reads it. It
// is joined, as if it came with them, to the call that brings the device, if that is a filter without a patient, or that
// begins to follow its patient. It is forgotten when the device is no filter, or did not come in time.
//
// Who holds an entry shares the slots of its devices and of its patient; who brings such a device or begins such a patient
// holds them alone. So one of two concurrent calls sees the other.

// holdFor stands where Options.HoldFor is 0.
const holdFor = 30 * 24 * time.Hour

// waiting is an entry that is held.
type waiting struct {
	item       screen.Item
	receivedAt time.Time
	late       bool // it lay elsewhere after it came, so the time for which it is held begins now
	digest     [sha256.Size]byte
	devices    []string // "Device/x", of those that were unknown
}

func (w waiting) key() key     { return keyOf(w.item) }
func (w waiting) stamp() stamp { return stamp{w.item.Resource.VersionID, w.item.Resource.LastUpdated} }
func (w waiting) version() version {
	return version{stamp: w.stamp(), receivedAt: w.receivedAt, digest: w.digest, patient: w.item.Patient, current: true}
}

// patientKey names the slot of a patient.
func patientKey(a alias) key { return key{a.feed, "Patient", a.patient} }

// wait holds an item that nothing else keeps; ok is false where it is not to be held. It also ends the holding of an older
// version of the entry.
func (p *planner) wait(n int, k key, v version, late bool) (fate screen.Fate, ok bool) {
	i := p.items[n]
	w, held := p.known.waiting[k]
	var unknown []string
	if !p.keep[n] && !gone(i) {
		unknown = p.unknownDevices(i)
	}
	if len(unknown) == 0 {
		p.unhold(k, v)
		return "", false
	}
	if late {
		return screen.Stale, true
	}
	if held {
		switch weigh(v, w.version()) {
		case screen.Stale:
			return screen.Stale, true
		case screen.Duplicate:
			return screen.Waiting, true
		}
	}
	i.Resource.Raw = slices.Clone(i.Resource.Raw)
	w = waiting{item: i, receivedAt: v.receivedAt, late: v.held, digest: v.digest, devices: unknown}
	p.known.waiting[k], p.held[k] = w, w
	p.released = slices.DeleteFunc(p.released, func(r key) bool { return r == k })
	p.slots.alone(k)
	p.slots.share(patientKey(alias{i.Feed, i.Patient}))
	for _, ref := range unknown {
		p.slots.share(named(i.Feed, ref))
	}
	return screen.Waiting, true
}

// unknownDevices lists the devices that an item names and of which nothing is here, nor in this call.
func (p *planner) unknownDevices(i screen.Item) []string {
	var list []string
	for _, d := range usedDevices(i) {
		if !p.arrived[d] && !p.known.here[d] {
			list = append(list, d.ref())
		}
	}
	return list
}

// unhold ends the holding of an entry of which v is not an older version.
func (p *planner) unhold(k key, v version) {
	if w, held := p.known.waiting[k]; held && weigh(v, w.version()) != screen.Stale {
		p.release(k)
	}
}

func (p *planner) release(k key) {
	delete(p.known.waiting, k)
	delete(p.held, k)
	p.released = append(p.released, k)
	p.slots.alone(k)
}

// settle notes the devices of this call that no longer are unknown and for which something is held still.
func (p *planner) settle() {
	for k := range p.arrived {
		if slices.ContainsFunc(p.known.named, func(w waiting) bool { return w.item.Feed == k.feed && slices.Contains(w.devices, k.ref()) }) {
			p.settled = append(p.settled, k)
			p.slots.alone(k)
		}
	}
}

const waitingColumns = `
	SELECT DISTINCT w.feed, w.type, w.id, w.version_id, w.last_updated, w.received_at, w.digest, w.patient_id, w.body, w.refs, w.devices
	FROM waiting w JOIN `

func collectWaiting(rows pgx.Rows) ([]waiting, error) {
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (waiting, error) {
		var w waiting
		var updated *time.Time
		var digest []byte
		r := &w.item.Resource
		err := row.Scan(&w.item.Feed, &r.Type, &r.ID, &r.VersionID, &updated, &w.receivedAt, &digest, &w.item.Patient, &r.Raw, &w.item.Refs, &w.devices)
		r.LastUpdated = believed(timeOf(updated), w.receivedAt)
		copy(w.digest[:], digest)
		return w, err
	})
	slices.SortFunc(list, func(a, b waiting) int {
		return cmp.Or(cmp.Compare(a.key().feed, b.key().feed), cmp.Compare(a.key().ref(), b.key().ref()))
	})
	return list, err
}

// queueWaitingRead finds what is held of the keys themselves, and what is held for want of them.
func queueWaitingRead(b *pgx.Batch, keys []key, k *known) {
	const own = waitingColumns + `unnest(@feeds::text[], @types::text[], @ids::text[]) AS want (feed, type, id) USING (feed, type, id)`
	const naming = waitingColumns + `unnest(@feeds::text[], @refs::text[]) AS want (feed, ref) ON w.feed = want.feed AND w.devices @> ARRAY[want.ref]`
	var uses, devices []key
	for _, at := range keys {
		switch at.kind {
		case "Procedure", "DeviceUseStatement":
			uses = append(uses, at)
		case "Device":
			devices = append(devices, at)
		}
	}
	if len(uses) > 0 {
		b.Queue(own, columns(uses)).Query(func(rows pgx.Rows) error {
			list, err := collectWaiting(rows)
			for _, w := range list {
				k.waiting[w.key()] = w
			}
			return err
		})
	}
	if len(devices) > 0 {
		b.Queue(naming, columns(devices)).Query(func(rows pgx.Rows) error {
			var err error
			k.named, err = collectWaiting(rows)
			return err
		})
	}
}

// joining gives what is held for want of a filter that the plan brings, or of a patient whom it begins to follow.
func joining(ctx context.Context, tx pgx.Tx, p plan, k known, fresh map[alias]bool) ([]waiting, error) {
	const read = waitingColumns + `unnest(@feeds::text[], @patients::text[]) AS want (feed, patient_id) USING (feed, patient_id)`
	var list []waiting
	for _, w := range k.named {
		if slices.ContainsFunc(w.devices, func(ref string) bool { return p.filters[named(w.item.Feed, ref)] }) {
			list = append(list, w)
		}
	}
	var feeds, patients []string
	for a := range p.begun {
		feeds, patients = append(feeds, a.feed), append(patients, a.patient)
	}
	for a := range fresh {
		feeds, patients = append(feeds, a.feed), append(patients, a.patient)
	}
	if len(feeds) == 0 {
		return list, nil
	}
	rows, err := tx.Query(ctx, read, pgx.NamedArgs{"feeds": feeds, "patients": patients})
	if err != nil {
		return nil, err
	}
	more, err := collectWaiting(rows)
	for _, w := range more {
		if !slices.ContainsFunc(list, func(l waiting) bool { return l.key() == w.key() }) {
			list = append(list, w)
		}
	}
	return list, err
}

func (s *Store) queueWaitingWrite(b *pgx.Batch, p plan) {
	const release = `DELETE FROM waiting WHERE feed = @feed AND type = @type AND id = @id`
	const hold = `
		INSERT INTO waiting (feed, type, id, version_id, last_updated, received_at, expires_at, digest, patient_id, body, refs, devices)
		VALUES (@feed, @type, @id, @version_id, @last_updated, @received_at, CASE WHEN @late THEN greatest(@received_at, now()) ELSE @received_at END + @hold, @digest, @patient, @body, @refs, @devices)
		ON CONFLICT (feed, type, id) DO UPDATE SET version_id = EXCLUDED.version_id, last_updated = EXCLUDED.last_updated,
			received_at = EXCLUDED.received_at, expires_at = EXCLUDED.expires_at, digest = EXCLUDED.digest,
			patient_id = EXCLUDED.patient_id, body = EXCLUDED.body, refs = EXCLUDED.refs, devices = EXCLUDED.devices`
	const settle = `UPDATE waiting SET devices = array_remove(devices, @ref) WHERE feed = @feed AND devices @> ARRAY[@ref::text]`
	const useless = `DELETE FROM waiting WHERE feed = @feed AND devices = '{}'`
	for _, k := range p.released {
		b.Queue(release, pgx.NamedArgs{"feed": k.feed, "type": k.kind, "id": k.id})
	}
	for k, w := range p.held {
		r := w.item.Resource
		b.Queue(hold, pgx.NamedArgs{"feed": k.feed, "type": k.kind, "id": k.id, "version_id": r.VersionID, "last_updated": stampOf(r.LastUpdated),
			"received_at": w.receivedAt, "late": w.late, "hold": cmp.Or(s.options.HoldFor, holdFor), "digest": w.digest[:],
			"patient": w.item.Patient, "body": r.Raw, "refs": w.item.Refs, "devices": w.devices})
	}
	for _, k := range p.settled {
		b.Queue(settle, pgx.NamedArgs{"feed": k.feed, "ref": k.ref()})
		b.Queue(useless, pgx.NamedArgs{"feed": k.feed})
	}
}

// forgetWaiting forgets what was held long enough.
func forgetWaiting(ctx context.Context, tx pgx.Tx) error {
	const forget = `DELETE FROM waiting WHERE expires_at <= now()`
	_, err := tx.Exec(ctx, forget)
	return err
}
