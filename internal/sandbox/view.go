package sandbox

import (
	"cmp"
	"crypto/rand"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"
)

// key names a resource.
type key struct{ typ, id string }

func (k key) String() string { return k.typ + "/" + k.id }

// entry is the current version of a resource. A deleted one has no body and keeps its version.
type entry struct {
	key     key
	number  int // of creation
	version int
	updated time.Time
	deleted bool
	body    []byte // never changed in place
}

// etag gives the weak entity tag of http://hl7.org/fhir/R4/http.html#versioning.
func (e entry) etag() string { return `W/"` + strconv.Itoa(e.version) + `"` }

// view is the record as one request sees it: what is held, overlaid by what the request has written so far.
type view struct {
	base   map[key]entry
	staged map[key]entry
	order  []key // of the staged ones, once each
	now    time.Time
	count  int
	// keepMeta keeps a version and time that the resource brings along.
	keepMeta bool
}

func (v *view) get(k key) (entry, bool) {
	if e, ok := v.staged[k]; ok {
		return e, true
	}
	e, ok := v.base[k]
	return e, ok
}

func (v *view) stage(e entry) {
	if _, again := v.staged[e.key]; !again {
		v.order = append(v.order, e.key)
	}
	v.staged[e.key] = e
}

// all gives the undeleted resources of a type in the order of their creation.
func (v *view) all(typ string) []entry {
	var out []entry
	for k, e := range v.base {
		if _, over := v.staged[k]; k.typ == typ && !over && !e.deleted {
			out = append(out, e)
		}
	}
	for k, e := range v.staged {
		if k.typ == typ && !e.deleted {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b entry) int { return cmp.Compare(a.number, b.number) })
	return out
}

// read gives the current version: 404 where there never was one, 410 where it was deleted.
func (v *view) read(k key) (entry, error) {
	e, ok := v.get(k)
	switch {
	case !ok:
		return entry{}, refuse(http.StatusNotFound, "not-found", k.typ+" not found")
	case e.deleted:
		return entry{}, refuse(http.StatusGone, "deleted", k.typ+" was deleted")
	}
	return e, nil
}

// write stores body under k as a new version; ifMatch is the If-Match header or "". created says that no undeleted
// version was there before.
func (v *view) write(k key, body []byte, ifMatch string) (e entry, created bool, err error) {
	old, ok := v.get(k)
	created = !ok || old.deleted
	if err := match(ifMatch, old, !created); err != nil {
		return entry{}, false, err
	}
	e = entry{key: k, number: old.number, version: old.version + 1, updated: v.now}
	if !ok {
		v.count++
		e.number = v.count
	}
	if v.keepMeta {
		e = kept(e, body)
	}
	if e.body, err = stamp(e, body); err != nil {
		return entry{}, false, err
	}
	v.stage(e)
	return e, created, nil
}

// kept takes over the version and time that body brings along, where they are readable and the version is newer.
func kept(e entry, body []byte) entry {
	if n, err := strconv.Atoi(gjson.GetBytes(body, "meta.versionId").String()); err == nil && n > e.version {
		e.version = n
	}
	if t, err := time.Parse(time.RFC3339, gjson.GetBytes(body, "meta.lastUpdated").String()); err == nil {
		e.updated = t
	}
	return e
}

// remove deletes k. What is not there stays not there, and that is no error.
func (v *view) remove(k key, ifMatch string) error {
	old, ok := v.get(k)
	there := ok && !old.deleted
	if err := match(ifMatch, old, there); err != nil {
		return err
	}
	if there {
		v.stage(entry{key: k, number: old.number, version: old.version + 1, updated: v.now, deleted: true})
	}
	return nil
}

// match applies If-Match: R4 answers 412 where the version is another (http.html#concurrency).
func match(ifMatch string, e entry, there bool) error {
	if ifMatch == "" {
		return nil
	}
	if tag := strings.Trim(strings.TrimPrefix(ifMatch, "W/"), `"`); there && tag == strconv.Itoa(e.version) {
		return nil
	}
	return refuse(http.StatusPreconditionFailed, "conflict", "the current version is not the one that If-Match names")
}

// stamp gives body with the id, version and time of e.
func stamp(e entry, body []byte) ([]byte, error) {
	out := slices.Clone(body)
	for _, s := range [][2]string{{"id", e.key.id}, {"meta.versionId", strconv.Itoa(e.version)},
		{"meta.lastUpdated", e.updated.Format("2006-01-02T15:04:05.000Z07:00")}} {
		var err error
		if out, err = sjson.SetBytes(out, s[0], s[1]); err != nil {
			return nil, refuse(http.StatusBadRequest, "structure", s[0]+" cannot be set")
		}
	}
	return out, nil
}

// newID gives a random UUID (RFC 9562, version 4).
func newID() string {
	var b [16]byte
	rand.Read(b[:])
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:])
}

// resource checks that body is a resource of the type and, where id is not empty, of the id.
func resource(body []byte, typ, id string) error {
	if !gjson.ValidBytes(body) || !gjson.ParseBytes(body).IsObject() {
		return refuse(http.StatusBadRequest, "structure", "the body is not a JSON object")
	}
	if gjson.GetBytes(body, "resourceType").String() != typ {
		return refuse(http.StatusBadRequest, "invalid", "the body's resourceType is not "+typ)
	}
	if id != "" && gjson.GetBytes(body, "id").String() != id {
		return refuse(http.StatusBadRequest, "invalid", "the body's id is not the one in the URL")
	}
	return nil
}

// validID reports whether s is a FHIR id (datatypes.html#id).
func validID(s string) bool {
	ok := s != "" && len(s) <= 64
	for _, c := range []byte(s) {
		ok = ok && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '.')
	}
	return ok
}
