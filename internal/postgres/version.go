package postgres

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/json"
	"strings"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"
)

// stamp is what decides the order of two versions of one resource.
type stamp struct {
	versionID   string
	lastUpdated time.Time // zero where unknown, or not believed; whole microseconds, as the database keeps them
}

// believed gives a meta.lastUpdated by which versions may be ordered: one that lies ahead of when it was received is none, because
// nothing that comes later would ever be newer.
func believed(lastUpdated, received time.Time) time.Time {
	if (fhir.Resource{LastUpdated: lastUpdated}).Ahead(received) {
		return time.Time{}
	}
	return lastUpdated
}

// join gives the highest of both as far as each can tell: the higher number and the later time. An id that is no number counts
// where none is; of two such the later one told.
func (a stamp) join(b stamp) stamp {
	x, numeric := number(a.versionID)
	y, also := number(b.versionID)
	if b.versionID != "" && (!numeric || also && cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(x, y)) < 0) {
		a.versionID = b.versionID
	}
	if b.lastUpdated.After(a.lastUpdated) {
		a.lastUpdated = b.lastUpdated
	}
	return a
}

// bars reports whether content with stamp v is not newer than what a deletion ended: it is older, or the same.
func (a stamp) bars(v stamp) bool {
	switch v.against(a) {
	case older, same:
		return true
	case newer:
		return false
	}
	return v.versionID != "" && v.versionID == a.versionID
}

// order says how one version stands to another.
type order int

const (
	undecided order = iota // neither numbers nor times tell
	older
	same
	newer
)

// against tells how a stands to b: numeric version ids decide; where they are not both there, or are equal, lastUpdated does.
// meta.versionId is opaque by the standard (https://hl7.org/fhir/R4/resource.html#Meta), but servers that count it do so upwards;
// a server that always sends the same number is told apart by the time.
func (a stamp) against(b stamp) order {
	told := undecided
	if x, ok := number(a.versionID); ok {
		if y, ok := number(b.versionID); ok {
			told = orderOf(cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(x, y)))
		}
	}
	if told == older || told == newer || a.lastUpdated.IsZero() || b.lastUpdated.IsZero() {
		return told
	}
	return orderOf(a.lastUpdated.Compare(b.lastUpdated))
}

// opposes reports whether number and time tell opposite orders.
func (a stamp) opposes(b stamp) bool {
	byNumber, byTime := stamp{versionID: a.versionID}.against(stamp{versionID: b.versionID}), stamp{lastUpdated: a.lastUpdated}.against(stamp{lastUpdated: b.lastUpdated})
	return byNumber == older && byTime == newer || byNumber == newer && byTime == older
}

func orderOf(c int) order {
	switch {
	case c < 0:
		return older
	case c > 0:
		return newer
	}
	return same
}

// number gives the digits of a numeric version id without leading zeros, so that longer is larger.
func number(versionID string) (string, bool) {
	if versionID == "" || strings.Trim(versionID, "0123456789") != "" {
		return "", false
	}
	return strings.TrimLeft(versionID, "0"), true
}

// version is one kept version of a resource, without its bytes.
type version struct {
	stamp
	number     int64 // our own count, from 1
	receivedAt time.Time
	held       bool // it was kept aside since receivedAt; false for what is kept
	read       bool // the record gave it as the current version at receivedAt; false for what is kept
	digest     [sha256.Size]byte
	person     string // "" where it names no patient
	patient    string // id of the patient that it is about; "" where it names none
	deleted    bool
	retracted  bool
	moved      bool // names a patient who is not followed; always deleted too
	evidence   bool
	current    bool
}

// gone reports whether the record took the resource back. A version that moved away is not gone: it lives elsewhere.
func (v version) gone() bool { return v.deleted && !v.moved || v.retracted }

// history is every kept version of one resource, in our own count, oldest first.
type history []*version

func (h history) current() *version {
	for _, v := range h {
		if v.current {
			return v
		}
	}
	return nil
}

func (h history) next() int64 {
	if len(h) == 0 {
		return 1
	}
	return h[len(h)-1].number + 1
}

// endedBy gives what the kept versions tell of how far the resource had come when a deletion or retraction came. Those that
// are certainly newer than it are none of its business.
func (h history) endedBy(gone stamp) stamp {
	var top stamp
	for _, v := range h {
		if gone.against(v.stamp) != older {
			top = top.join(v.stamp)
		}
	}
	return top
}

// weigh tells what v is to the current version, which must be there. A deletion is later than every version that was here when
// it came, whatever the sender's clock says, so none of those revives.
func (h history) weigh(v version) screen.Fate {
	current := h.current()
	fate := weigh(v, *current)
	asked := v.read && current.receivedAt.Before(v.receivedAt)
	if fate == screen.Updated && current.gone() && !v.gone() && !asked && h.endedBy(current.stamp).bars(v.stamp) {
		return screen.Stale
	}
	return fate
}

// repeats gives the kept version that v repeats, if any.
func (h history) repeats(v version) *version {
	for _, k := range h {
		if k.digest == v.digest && k.versionID == v.versionID && k.lastUpdated.Equal(v.lastUpdated) &&
			k.deleted == v.deleted && k.moved == v.moved && k.retracted == v.retracted {
			return k
		}
	}
	return nil
}

// weigh tells what v is to the current version: Updated, Stale or Duplicate. Where the order is undecided, the one
// received last counts, and what was kept aside was received when it first came; except that only a newer version revives
// what is gone: a time after we heard of it is newer, and so is what the record still gives when it is asked after that.
func weigh(v version, current version) screen.Fate {
	how := v.against(current.stamp)
	switch {
	case how == older && v.read && current.receivedAt.Before(v.receivedAt) && v.opposes(current.stamp):
		return screen.Updated // a record that was restored from a copy counts its versions anew
	case how == older:
		return screen.Stale
	case how == newer:
		return screen.Updated
	case v.held && v.receivedAt.Before(current.receivedAt):
		return screen.Stale
	case current.gone() && !v.gone():
		if revives(v.stamp, current.stamp, current.receivedAt) || v.read && current.receivedAt.Before(v.receivedAt) {
			return screen.Updated
		}
		return screen.Stale
	case current.moved && !v.moved:
		return screen.Updated
	case v.deleted && current.deleted && v.moved == current.moved && (!v.moved || v.digest == current.digest):
		return screen.Duplicate
	case v.digest == current.digest && v.deleted == current.deleted && v.retracted == current.retracted:
		return screen.Duplicate
	case current.gone() && v.gone() && toldLate(v.stamp, current.stamp, current.receivedAt):
		return screen.Stale
	}
	return screen.Updated
}

// toldLate reports whether a deletion or retraction with stamp v, heard of after one without a stamp of which we heard at, is
// not certainly the later one. It must not take the other's place: what came after it, and before the other, would be newer.
func toldLate(v, gone stamp, at time.Time) bool {
	return v != (stamp{}) && gone == (stamp{}) && !revives(v, gone, at)
}

// sameVersion reports whether v calls itself the version that current is.
func (v version) sameVersion(current version) bool {
	return (v.versionID != "" || !v.lastUpdated.IsZero()) && v.versionID == current.versionID && v.lastUpdated.Equal(current.lastUpdated) &&
		!v.deleted && !current.deleted && !v.retracted && !current.retracted && v.digest != current.digest
}

// undecided reports whether neither numbers nor times tell that the content v replaces current, or does not, and it differs.
// A deletion or retraction is not in doubt: it counts unless it is older.
func (v version) undecided(current version) bool {
	how := v.against(current.stamp)
	return how != older && how != newer && !v.read && !v.deleted && !v.retracted &&
		(v.digest != current.digest || current.gone())
}

// opposed reports whether number and time tell opposite orders of two contents, of which the record did not give v when it was asked.
func (v version) opposed(current version) bool {
	return !v.read && !v.deleted && !v.retracted && !current.gone() && v.opposes(current.stamp)
}

// revives tells whether content with stamp v is certainly newer than a delete or retraction with stamp gone, of which we heard at.
func revives(v, gone stamp, at time.Time) bool {
	switch v.against(gone) {
	case newer:
		return true
	case older, same:
		return false
	}
	return gone.lastUpdated.IsZero() && !v.lastUpdated.IsZero() && v.lastUpdated.After(at)
}

// contentDigest is the SHA-256 of what the bytes say: the same members in another order or spacing are the same content,
// as one version comes from a push and from a read. Numbers keep their digits. Bytes that are not JSON stand for themselves.
func contentDigest(body []byte) [sha256.Size]byte {
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber()
	var v any
	if err := decoder.Decode(&v); err != nil {
		return sha256.Sum256(body)
	}
	canonical, err := json.Marshal(v) // writes members in order of their names
	if err != nil {
		return sha256.Sum256(body)
	}
	return sha256.Sum256(canonical)
}
