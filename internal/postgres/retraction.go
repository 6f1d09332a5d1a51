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
}

// leavesHash reports whether deletes of this type are remembered: those a phantom filter could come from.
func leavesHash(resourceType string) bool {
	return resourceType == "Device" || resourceType == "Procedure" || resourceType == "DeviceUseStatement"
}

// gone reports whether the record took the resource back.
func gone(i screen.Item) bool { return i.Deleted || i.Retracted }

// later gives the retraction that refuses more: the newer one, and the one heard last where the order is undecided.
func (r retraction) later(s retraction) retraction {
	if s.against(r.stamp) == older {
		return r
	}
	return s
}

// refuses reports whether content is not certainly newer; what the record gave when it was asked later is, unless its own
// version or time says otherwise.
func (r retraction) refuses(v version) bool {
	asked := v.read && r.at.Before(v.receivedAt) && v.against(r.stamp) != older
	return !asked && !revives(v.stamp, r.stamp, r.at)
}

// hash names a resource without saying which one it is. The separator cannot occur in a type or an id.
func (i *identity) hash(k key) string {
	mac := hmac.New(sha256.New, i.hashKey)
	mac.Write([]byte(k.feed + "|" + k.kind + "|" + k.id))
	return string(mac.Sum(nil))
}

func queueRetractionRead(b *pgx.Batch, who *identity, keys []key, k *known) {
	const read = `SELECT hash, version_id, last_updated, at FROM retraction WHERE hash = ANY(@hashes)`
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
		var updated *time.Time
		_, err := pgx.ForEachRow(rows, []any{&hash, &r.versionID, &updated, &r.at}, func() error {
			r.lastUpdated = timeOf(updated)
			k.retired[byHash[string(hash)]] = r
			return nil
		})
		return err
	})
}

func queueRetractionWrite(b *pgx.Batch, who *identity, retired map[key]retraction) {
	const write = `
		INSERT INTO retraction (hash, version_id, last_updated, at) VALUES (@hash, @version_id, @last_updated, @at)
		ON CONFLICT (hash) DO UPDATE SET version_id = EXCLUDED.version_id, last_updated = EXCLUDED.last_updated, at = EXCLUDED.at`
	for k, r := range retired {
		b.Queue(write, pgx.NamedArgs{"hash": []byte(who.hash(k)), "version_id": r.versionID, "last_updated": stampOf(r.lastUpdated), "at": r.at})
	}
}
