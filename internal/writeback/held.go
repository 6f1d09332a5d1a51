package writeback

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

// maxHits bounds what one series may hold; a hundred revisions of one filter's document are far from any real course.
const maxHits = 500

// held is one entry of ours as the record holds it.
type held struct {
	id, version, etag, status string
	raw                       []byte
}

// has reports whether the entry carries an identifier; system and value must both be equal.
func (h held) has(system, value string) bool {
	for _, i := range append(gjson.GetBytes(h.raw, "identifier").Array(), gjson.GetBytes(h.raw, "masterIdentifier")) {
		if i.Get("system").String() == system && i.Get("value").String() == value {
			return true
		}
	}
	return false
}

// untouched: nobody has taken the Task up, so it is still ours to change.
func (h held) untouched() bool { return h.status == "draft" || h.status == "requested" }

// ended: the Task is over, by whoever's hand.
func (h held) ended() bool {
	return slices.Contains([]string{"rejected", "cancelled", "failed", "completed", "entered-in-error"}, h.status)
}

// closedByUs reports whether the Task carries a closing reason of ours.
func (h held) closedByUs() bool {
	return gjson.GetBytes(h.raw, `statusReason.coding.#(system=="`+compose.ClosedSystem+`")`).Exists()
}

func (h held) isDuplicate() bool {
	return gjson.GetBytes(h.raw, `statusReason.coding.#(system=="`+compose.ClosedSystem+`").code`).String() == "duplicate"
}

// state is what the record holds of one filter's series, each list by id.
type state struct {
	tasks, documents []held
}

// subjectPath is where a type names its patient.
func subjectPath(typ string) string {
	if typ == "Task" {
		return "for.reference"
	}
	return "subject.reference"
}

// look reads the series from the record. Entries that we know of (receipts, what this run wrote) and that the search does
// not find yet are read one by one.
func (r *run) look(ctx context.Context) (state, error) {
	var s state
	for _, list := range []struct {
		typ  string
		into *[]held
	}{{"Task", &s.tasks}, {"DocumentReference", &s.documents}} {
		found, err := r.series(ctx, list.typ)
		if err != nil {
			return state{}, err
		}
		*list.into = found
	}
	return s, nil
}

func (r *run) series(ctx context.Context, typ string) ([]held, error) {
	hits, err := r.c.cfg.Record.Search(ctx, typ,
		url.Values{"identifier": {compose.SeriesSystem + "|" + r.referral.Key}}, maxHits)
	if err != nil {
		return nil, err
	}
	var out []held
	seen := map[string]bool{}
	for _, raw := range hits {
		h := heldOf(raw, "")
		if h.id == "" || seen[h.id] || !h.has(compose.SeriesSystem, r.referral.Key) || !r.samePatient(typ, h) {
			continue
		}
		seen[h.id] = true
		if h.etag == "" || abridged(raw) {
			if h, err = r.read(ctx, typ, h.id); errors.Is(err, fault.NotFound) {
				continue
			}
			if err != nil {
				return nil, err
			}
		}
		out = append(out, h)
	}
	for _, id := range r.known[typ] {
		if seen[id] {
			continue
		}
		seen[id] = true
		h, err := r.read(ctx, typ, id)
		if errors.Is(err, fault.NotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if !h.has(compose.SeriesSystem, r.referral.Key) {
			continue
		}
		if !r.samePatient(typ, h) {
			return nil, errOtherPatient
		}
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b held) int { return strings.Compare(a.id, b.id) })
	return out, nil
}

var errOtherPatient = fmt.Errorf("the record holds our identifier for another patient: %w", fault.Refused)

func (r *run) read(ctx context.Context, typ, id string) (held, error) {
	res, etag, err := r.c.cfg.Record.Read(ctx, typ, id)
	if err != nil {
		return held{}, err
	}
	return heldOf(res.Raw, etag), nil
}

func heldOf(raw []byte, etag string) held {
	g := gjson.ParseBytes(raw)
	h := held{id: g.Get("id").String(), version: g.Get("meta.versionId").String(), etag: etag,
		status: g.Get("status").String(), raw: raw}
	if h.etag == "" {
		h.etag = rest.ETagOf(h.version)
	}
	return h
}

// abridged reports whether a hit is only part of its resource and must not be sent back.
func abridged(raw []byte) bool {
	for _, code := range gjson.GetBytes(raw, "meta.tag.#.code").Array() {
		if code.String() == "SUBSETTED" {
			return true
		}
	}
	return false
}

func (r *run) samePatient(typ string, h held) bool {
	return compose.SameReference(gjson.GetBytes(h.raw, subjectPath(typ)).String(), r.document.Assessment.Patient)
}
