package chart

import (
	"slices"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// said reports whether an Observation or DiagnosticReport of this status says anything yet, and still.
// http://hl7.org/fhir/R4/valueset-observation-status.html, http://hl7.org/fhir/R4/valueset-diagnostic-report-status.html
func said(status string) bool {
	return slices.Contains([]string{"final", "amended", "corrected", "appended", "preliminary", "partial"}, status)
}

// Codes that say that a filter was seen in place, or that none was, are the site's own: published ones that mean just this are
// not known here, so both sets ship empty. A code that only tells of some implant (ICD-10-CM Z95.828) is no sighting.
const (
	filterSeen    = "filter-seen"
	filterNotSeen = "filter-not-seen"
)

// seenBy reads an Observation whose code, or coded value, is of the site's two sets; a value of false turns its code round.
func (r *reader) seenBy(n *node, code concept) {
	if !r.sets.holds(filterSeen) && !r.sets.holds(filterNotSeen) {
		return
	}
	if n.get("dataAbsentReason").Exists() {
		return
	}
	r.seenIn(n, n.doc, code)
	for part := range n.get("component").Each() {
		if !part.Get("dataAbsentReason").Exists() {
			r.seenIn(n, part, r.concept(part.Get("code")))
		}
	}
}

func (r *reader) seenIn(n *node, v fhir.Value, code concept) {
	value := v.Get("valueBoolean")
	if coded := v.Get("valueCodeableConcept"); coded.Exists() {
		r.seen(n, r.concept(coded), true)
		return
	}
	if value.Exists() || !hasValue(v) {
		r.seen(n, code, !value.Exists() || value.Bool())
	}
}

// hasValue reports whether an Observation, or a part of it, has a value of another kind, which makes its code a question.
func hasValue(v fhir.Value) bool {
	for _, kind := range []string{"valueQuantity", "valueString", "valueInteger", "valueRange", "valueRatio", "valueSampledData", "valueTime", "valueDateTime", "valuePeriod"} {
		if v.Get(kind).Exists() {
			return true
		}
	}
	return false
}

// seen makes an event of a code of either set.
func (r *reader) seen(n *node, c concept, is bool) {
	seen, unseen := c.in(filterSeen), c.in(filterNotSeen)
	if seen == unseen {
		return // neither, or a site's sets that contradict each other
	}
	when, _ := r.day(n, "effectiveDateTime")
	if n.get("effectivePeriod").Exists() {
		when, _, _ = r.period(n, "effectivePeriod")
	}
	if !when.Known() {
		when, _ = r.day(n, "issued")
	}
	e := filter.Event{When: when, Start: -1, Evidence: n.evidence()}
	if seen == is {
		e.Kind, e.Why = filter.Sighting, "seen: "+c.label()
	} else {
		e.Kind, e.Unseen, e.Why = filter.Hint, true, "none seen: "+c.label()
	}
	if !when.Known() {
		r.unread(n, "effective[x]", "a sighting without a day is not used")
		return
	}
	r.out.Events = append(r.out.Events, e)
}

// TellsSighting reports whether an Observation or DiagnosticReport says by a code of the site that a filter was seen in place.
func TellsSighting(doc fhir.Value, sets Sets) bool {
	if !sets.holds(filterSeen) {
		return false
	}
	r := &reader{sets: sets, zone: time.UTC}
	n := &node{Entry: &Entry{}, room: &r.room, doc: doc}
	if !said(n.status()) {
		return false
	}
	for v := range n.get("conclusionCode").Each() {
		r.seen(n, r.concept(v), true)
	}
	r.seenBy(n, r.concept(n.get("code")))
	for _, e := range r.out.Events {
		if e.Kind == filter.Sighting {
			return true
		}
	}
	return false
}
