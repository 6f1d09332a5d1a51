package writeback

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

const (
	// someHits bounds the first question; a record that answers with the entries of others is not asked for more.
	someHits = 100
	// maxHits bounds what one series may hold; a hundred revisions of one filter's document are far from any real course.
	maxHits = 500
)

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

// state is what the record holds of one filter's series, each list by id. whole is false where a search could not be read
// to its end, so that there may be more.
type state struct {
	tasks, documents []held
	strays           []stray // of ours, about somebody who is not this person, or no longer
	whole            bool
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
	s := state{whole: true}
	for _, list := range []struct {
		typ  string
		into *[]held
	}{{"Task", &s.tasks}, {"DocumentReference", &s.documents}} {
		found, strays, whole, err := r.series(ctx, list.typ)
		if err != nil {
			return state{}, err
		}
		*list.into, s.strays, s.whole = found, append(s.strays, strays...), s.whole && whole
	}
	return s, nil
}

// single reports whether the record shows at most one open Task and one current document of the series, no untouched Task
// where none is wanted, and no current document where another's takes its place.
func (r *run) single(ctx context.Context) (bool, error) {
	s, err := r.look(ctx)
	if err != nil {
		return false, err
	}
	wanted := r.referral.Reason == draft.Wanted || r.referral.Reason == draft.NoContext
	open, current := 0, 0
	for _, t := range s.tasks {
		if !t.ended() {
			open++
		}
		if t.untouched() && !wanted {
			return false, nil
		}
	}
	for _, d := range s.documents {
		if d.status == "current" {
			current++
		}
	}
	if r.referral.Reason == draft.Merged || r.referral.Reason == draft.Retracted {
		return open <= 1 && current == 0, nil
	}
	return open <= 1 && current <= 1, nil
}

// search gives the hits of one query, and whether these are all. Where some do not fit, the record does not heed the
// query, and its first answer must do.
func (r *run) search(ctx context.Context, typ string, query url.Values, fits func(json.RawMessage) bool) (hits []json.RawMessage, whole bool, err error) {
	for _, limit := range []int{someHits, maxHits} {
		hits, err = r.c.cfg.Record.Search(ctx, typ, query, limit)
		switch {
		case errors.Is(err, rest.ErrIncomplete):
			return hits, false, nil
		case err != nil:
			return nil, false, err
		case len(hits) < limit:
			return hits, true, nil
		case slices.ContainsFunc(hits, func(raw json.RawMessage) bool { return !fits(raw) }):
			return hits, false, nil
		}
	}
	return hits, false, nil
}

// find asks for the series; where its answer cannot be read to its end, also for what is wanted now; where the record does not heed
// identifiers, for all of the person's.
func (r *run) find(ctx context.Context, typ string) (hits []json.RawMessage, whole bool, err error) {
	ours := func(raw json.RawMessage) bool { return heldOf(raw, "").has(compose.SeriesSystem, r.referral.Key) }
	by := func(system, value string) url.Values { return url.Values{"identifier": {system + "|" + value}} }
	hits, whole, err = r.search(ctx, typ, by(compose.SeriesSystem, r.referral.Key), ours)
	if err != nil || whole {
		return hits, whole, err
	}
	if slices.ContainsFunc(hits, func(raw json.RawMessage) bool { return !ours(raw) }) {
		return r.findByPatient(ctx, typ, hits)
	}
	system, value := compose.TaskSystem, r.taskInstance
	if typ == "DocumentReference" {
		system, value = compose.DocumentSystem, r.documentInstance
	}
	now, _, err := r.search(ctx, typ, by(system, value), ours)
	return append(hits, now...), false, err
}

// findByPatient adds to hits what the record gives for the person.
func (r *run) findByPatient(ctx context.Context, typ string, hits []json.RawMessage) ([]json.RawMessage, bool, error) {
	whole := true
	for _, patient := range r.references() {
		more, all, err := r.search(ctx, typ, url.Values{"patient": {patient}}, func(raw json.RawMessage) bool { return r.about(typ, heldOf(raw, ""), patient) })
		if errors.Is(err, fault.Refused) {
			return hits, false, nil
		}
		if err != nil {
			return nil, false, err
		}
		hits, whole = append(hits, more...), whole && all
	}
	return hits, whole, nil
}

func (r *run) series(ctx context.Context, typ string) (out []held, strays []stray, whole bool, err error) {
	hits, whole, err := r.find(ctx, typ)
	if err != nil {
		return nil, nil, false, err
	}
	seen := map[string]bool{}
	for _, raw := range hits {
		h := heldOf(raw, "")
		if h.id == "" || seen[h.id] || !h.has(compose.SeriesSystem, r.referral.Key) || !r.samePatient(typ, h) && !r.wroteOnce(typ, h.id) {
			continue
		}
		seen[h.id] = true
		if h.etag == "" || abridged(raw) || r.stale[typ+"/"+h.id] {
			if h, err = r.read(ctx, typ, h.id); errors.Is(err, fault.NotFound) {
				continue
			}
			if err != nil {
				return nil, nil, false, err
			}
		}
		if !r.samePatient(typ, h) {
			strays = append(strays, stray{typ, h})
			continue
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
			return nil, nil, false, err
		}
		if !h.has(compose.SeriesSystem, r.referral.Key) {
			continue
		}
		if !r.samePatient(typ, h) {
			strays = append(strays, stray{typ, h})
			continue
		}
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b held) int { return strings.Compare(a.id, b.id) })
	return out, strays, whole, nil
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

// samePatient reports whether the entry is about the person: by any id that the record knows them by today, or, where no id of
// the record's is known, by the one of the saved document.
func (r *run) samePatient(typ string, h held) bool {
	return slices.ContainsFunc(r.references(), func(name string) bool { return r.about(typ, h, name) })
}

// references lists the person as references name them.
func (r *run) references() []string {
	if len(r.patients) == 0 {
		return []string{r.document.Assessment.Patient}
	}
	var names []string
	for _, id := range r.patients {
		names = append(names, "Patient/"+id)
	}
	return names
}

func (r *run) about(typ string, h held, patient string) bool {
	return compose.SameReference(gjson.GetBytes(h.raw, subjectPath(typ)).String(), patient)
}
