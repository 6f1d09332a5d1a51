package chart

import (
	"slices"
	"strings"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// EntrySystem is the code system of what people enter with us: contact attempts, re-assessments, corrections.
const EntrySystem = "urn:dwellwatch:entry"

// LocalFeed is the feed of what people enter with us. Its entries name those of other feeds as evidence names them.
const LocalFeed = "local"

// Codes of EntrySystem.
const (
	CodeContact      = "contact-attempt"
	CodeReassessment = "reassessment"
	CodeCorrection   = "correction"  // of a Provenance: its target stands in the place of its entities
	CodeEntryWrong   = "entry-wrong" // of a DetectedIssue: the entries it names do not hold
	CodeNoFilter     = "no-filter"   // of an Observation: the entries that tell of the filter do not hold

	CodeStillNeeded    = "still-needed"
	CodeNoLongerNeeded = "no-longer-needed"
	CodeStays          = "stays"
)

// LookAgainExtension is the day on which people want to look at a re-assessed filter again.
const LookAgainExtension = "urn:dwellwatch:look-again"

// OfExtension stands in what people enter about a retrieval, once for each record entry that makes the filter itself, as evidence
// names it: whatever the record says of the patient's other filters, the entry is about that one.
const OfExtension = "urn:dwellwatch:of"

// SeenExtension stands in an entity of a correction: the meta.lastUpdated of the version that people looked at.
const SeenExtension = "urn:dwellwatch:seen"

// saidOf gives the entries of the filter that an entry of ours says it is about.
func (n *node) saidOf() []filter.Ref {
	if n.Feed != LocalFeed {
		return nil
	}
	var out []filter.Ref
	for x := range n.get("extension").Each() {
		if x.Get("url").String() == OfExtension {
			out = append(out, x.Get("valueString").String())
		}
	}
	return out
}

// entryCode reports whether a CodeableConcept holds a code of EntrySystem.
func entryCode(concept fhir.Value, code string) bool {
	for c := range concept.Get("coding").Each() {
		if c.Get("system").String() == EntrySystem && c.Get("code").String() == code {
			return true
		}
	}
	return false
}

// correct puts what people entered as a correction in the place of the entries that it answers. A Provenance with our
// activity says so: its target holds, and the entities with the role revision do not. The first of them is then read with
// the target's content under its own name, so that the filter keeps its key; the others are left out. A correction of
// entries that are gone or retracted corrects nothing, and of two corrections of an entry the later one holds. What takes entries
// away ends where the record has a newer version of one of them, by its own meta.lastUpdated: nobody has looked at that one. What
// puts a fact right stands, and the newer version is named.
// http://hl7.org/fhir/R4/provenance.html#Provenance.entity.role
func (r *reader) correct() {
	var all []*node
	for _, n := range r.nodes {
		if n.Type == "Provenance" && entryCode(n.get("activity"), CodeCorrection) {
			all = append(all, n)
		}
	}
	if len(all) == 0 {
		return
	}
	slices.SortStableFunc(all, func(a, b *node) int { return strings.Compare(a.get("recorded").String(), b.get("recorded").String()) })
	holds := map[*node]correction{}
	aside := map[*node]bool{}
	for _, p := range all {
		target, _ := r.target(p, p.get("target.0"))
		if target == nil {
			continue
		}
		places, revises := r.revised(p)
		if revises {
			aside[target] = true
		}
		if takenBack(target) || r.overtaken(target, places) {
			continue
		}
		for _, x := range places {
			holds[x.place] = correction{target: target, by: p}
		}
	}
	r.carryOut(holds, aside)
}

// revision is an entry that a correction answers, and how new the version was that people looked at.
type revision struct {
	place *node
	seen  time.Time
}

// newer reports whether the record has a newer version than people looked at.
func (x revision) newer() bool {
	return x.place.Feed != LocalFeed && !x.seen.IsZero() && x.place.LastUpdated.After(x.seen)
}

// revised lists the entries that a correction answers, as far as they are here and hold; any reports whether it answers one at all. What
// does not say which version people looked at means those until it was recorded.
func (r *reader) revised(p *node) (places []revision, any bool) {
	instant := func(v fhir.Value) time.Time {
		at, err := time.Parse(time.RFC3339Nano, v.String())
		if err != nil {
			return time.Time{}
		}
		return at
	}
	for e := range p.get("entity").Each() {
		if e.Get("role").String() != "revision" {
			continue
		}
		any = true
		if place, _ := r.target(p, e.Get("what")); place != nil && !takenBack(place) {
			x := revision{place, instant(p.get("recorded"))}
			for ext := range e.Get("extension").Each() {
				if ext.Get("url").String() == SeenExtension {
					x.seen = instant(ext.Get("valueInstant"))
				}
			}
			places = append(places, x)
		}
	}
	return places, any
}

// overtaken reports whether a correction ends because the record has a newer version of an entry that it takes away, and names each
// newer version of an entry that it answers.
func (r *reader) overtaken(target *node, places []revision) bool {
	takes, ends := target.Type == "DetectedIssue" || target.Type == "Observation", false
	for _, x := range places {
		switch {
		case !x.newer():
		case takes:
			ends = true
			r.unread(x.place, "meta.lastUpdated", "the record has a newer version of an entry that was called wrong here; it is read again, and somebody should look at it")
		default:
			r.unread(x.place, "meta.lastUpdated", "the record has a newer version of an entry that was corrected here; the correction is read in its place")
		}
	}
	return ends
}

// correction is what holds in the place of an entry, and the Provenance that says so.
type correction struct{ target, by *node }

// takenBack reports an entry that people have declared an error.
func takenBack(n *node) bool {
	return n.status() == "entered-in-error" || n.coded("verificationStatus", "entered-in-error")
}

// settled follows the corrections of a correction to what holds in the end, and names all that say so. Corrections that answer each
// other in a circle settle nothing: ok is false.
func settled(place *node, holds map[*node]correction) (target *node, by []filter.Ref, ok bool) {
	seen := map[*node]bool{place: true}
	for at := place; ; {
		c, corrected := holds[at]
		if !corrected {
			return at, by, true
		}
		if seen[c.target] {
			return nil, nil, false
		}
		by = append(by, c.target.ref(), c.by.ref())
		seen[c.target], at = true, c.target
	}
}

// carryOut reads each corrected entry with the content that holds, and leaves the corrections themselves out.
func (r *reader) carryOut(holds map[*node]correction, aside map[*node]bool) {
	type group struct {
		target *node
		by     []filter.Ref
		places []*node
	}
	var groups []*group
	gone := map[*node]bool{}
	for _, n := range r.nodes {
		if _, corrected := holds[n]; !corrected || aside[n] {
			continue
		}
		target, by, ok := settled(n, holds)
		if !ok {
			continue
		}
		at := slices.IndexFunc(groups, func(g *group) bool { return g.target == target })
		if at < 0 {
			groups, at = append(groups, &group{target: target}), len(groups)
		}
		groups[at].by, groups[at].places = append(groups[at].by, by...), append(groups[at].places, n)
	}
	r.vouched = map[filter.Ref][]filter.Ref{}
	for _, g := range groups {
		stand := g.places[0]
		if at := slices.IndexFunc(g.places, func(n *node) bool { return n.Type == g.target.Type }); at >= 0 {
			stand = g.places[at]
		}
		refs := g.by
		for _, n := range g.places {
			if n != stand {
				refs = append(refs, n.ref())
			}
			gone[n] = n != stand || g.target.Type == "Observation" || g.target.Type == "DetectedIssue"
		}
		if gone[stand] {
			continue
		}
		slices.Sort(refs)
		r.vouched[stand.ref()] = slices.Compact(refs)
		stand.known = stand.Entry
		stand.Entry, stand.doc = g.target.Entry, g.target.doc
	}
	out := func(n *node) bool { return gone[n] || aside[n] }
	r.nodes, r.places = slices.DeleteFunc(slices.Clone(r.nodes), out), slices.DeleteFunc(slices.Clone(r.places), out)
}

// vouch names, beside each entry that was corrected, what it was corrected by.
func (r *reader) vouch() {
	if len(r.vouched) == 0 {
		return
	}
	with := func(refs []filter.Ref) []filter.Ref {
		out := slices.Clone(refs)
		for _, ref := range refs {
			out = append(out, r.vouched[ref]...)
		}
		return out
	}
	for i := range r.out.Events {
		r.out.Events[i].Evidence = with(r.out.Events[i].Evidence)
	}
	for i := range r.out.Facts.Diagnoses {
		r.out.Facts.Diagnoses[i].Evidence = with(r.out.Facts.Diagnoses[i].Evidence)
	}
	for i := range r.out.Facts.Courses {
		r.out.Facts.Courses[i].Evidence = with(r.out.Facts.Courses[i].Evidence)
	}
}

// byName gives the entry that evidence calls so; nil where there is none.
func (r *reader) byName(name string) *node {
	at := slices.IndexFunc(r.nodes, func(n *node) bool { return n.ref() == name })
	if at < 0 {
		return nil
	}
	return r.nodes[at]
}
