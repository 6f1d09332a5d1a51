package postgres

import (
	"crypto/hmac"
	"crypto/sha256"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/screen"
)

// retraction is a delete or retraction that was heard of, for a resource that may not be kept.
type retraction struct {
	stamp
	at time.Time
	// ended tells of the highest version that was here, or was refused: the retraction is later than all of them.
	ended stamp
}

// leavesHash reports whether deletes of this type are remembered: those a phantom filter could come from.
func leavesHash(resourceType string) bool {
	return resourceType == "Device" || resourceType == "Procedure" || resourceType == "DeviceUseStatement"
}

// gone reports whether the record took the resource back.
func gone(i screen.Item) bool { return i.Deleted || i.Retracted }

// later gives the retraction that refuses more: the newer one, and the one heard last where the order is undecided.
func (r retraction) later(s retraction) retraction {
	ended := r.ended.join(s.ended)
	heard := r.at
	if s.at.After(heard) {
		heard = s.at
	}
	switch s.against(r.stamp) {
	case older:
	case newer:
		r = s
	default:
		// One that lay in the quarantine is told late, as is an old version.
		if !s.at.Before(r.at) && !toldLate(s.stamp, r.stamp, r.at) {
			ended = ended.join(r.stamp)
			r = s
		} else {
			ended = ended.join(s.stamp)
		}
	}
	r.at, r.ended = heard, ended
	return r
}

// tells reports whether r says the same as s, and says when or which version it was.
func (r retraction) tells(s retraction) bool {
	return r.versionID == s.versionID && r.lastUpdated.Equal(s.lastUpdated) && (r.versionID != "" || !r.lastUpdated.IsZero()) && r.ended.equal(s.ended)
}

func (a stamp) equal(b stamp) bool {
	return a.versionID == b.versionID && a.lastUpdated.Equal(b.lastUpdated)
}

// refuses reports whether content is not certainly newer; what the record gave when it was asked later is, unless its own
// version or time says otherwise.
func (r retraction) refuses(v version) bool {
	asked := v.read && r.at.Before(v.receivedAt) && v.against(r.stamp) != older
	return !asked && (!revives(v.stamp, r.stamp, r.at) || r.ended.bars(v.stamp))
}

// hash names a resource without saying which one it is. The separator cannot occur in a type or an id.
func (i *identity) hash(k key) string {
	mac := hmac.New(sha256.New, i.hashKey)
	mac.Write([]byte(k.feed + "|" + k.kind + "|" + k.id))
	return string(mac.Sum(nil))
}

func queueRetractionRead(b *pgx.Batch, who *identity, keys []key, k *known) {
	const read = `SELECT hash, version_id, last_updated, at, ended_version_id, ended_last_updated FROM retraction WHERE hash = ANY(@hashes)`
	byHash := map[string]key{}
	hashes := [][]byte{}
	for _, key := range keys {
		if leavesHash(key.kind) {
			h := who.hash(key)
			byHash[h] = key
			hashes = append(hashes, []byte(h))
		}
	}
	if len(hashes) == 0 {
		return
	}
	b.Queue(read, pgx.NamedArgs{"hashes": hashes}).Query(func(rows pgx.Rows) error {
		var hash []byte
		var r retraction
		var updated, ended *time.Time
		_, err := pgx.ForEachRow(rows, []any{&hash, &r.versionID, &updated, &r.at, &r.ended.versionID, &ended}, func() error {
			r.lastUpdated, r.ended.lastUpdated = believed(timeOf(updated), r.at), believed(timeOf(ended), r.at)
			k.retired[byHash[string(hash)]] = r
			return nil
		})
		return err
	})
}

func queueRetractionWrite(b *pgx.Batch, who *identity, retired map[key]retraction) {
	const write = `
		INSERT INTO retraction (hash, version_id, last_updated, at, ended_version_id, ended_last_updated)
		VALUES (@hash, @version_id, @last_updated, @at, @ended_version_id, @ended_last_updated)
		ON CONFLICT (hash) DO UPDATE SET version_id = EXCLUDED.version_id, last_updated = EXCLUDED.last_updated, at = EXCLUDED.at,
			ended_version_id = EXCLUDED.ended_version_id, ended_last_updated = EXCLUDED.ended_last_updated`
	for k, r := range retired {
		b.Queue(write, pgx.NamedArgs{"hash": []byte(who.hash(k)), "version_id": r.versionID, "last_updated": stampOf(r.lastUpdated), "at": r.at,
			"ended_version_id": r.ended.versionID, "ended_last_updated": stampOf(r.ended.lastUpdated)})
	}
}
