package filter

import (
	"iter"
	"slices"
	"strings"
)

// Reconstruct turns what the record tells into one history per filter. The answer depends on the set of events, the known
// keys, the thresholds and asOf, never on the order of the events; telling the same event twice changes nothing.
// mint gives the key of a filter that has none yet, from its first piece of evidence.
func Reconstruct(events []Event, known []KnownKey, p Params, clock *Clock, mint func(Ref) string) History {
	events = slices.Clone(events)
	slices.SortFunc(events, compare)
	events = slices.CompactFunc(events, func(a, b Event) bool { return compare(a, b) == 0 })

	r := &reconstruction{params: p, clock: clock}
	var placements, later []Event
	for _, e := range events {
		switch e.Kind {
		case Placement, Claim, InPlace:
			if e = r.happened(e); e.Kind != "" {
				placements = append(placements, e)
			}
		default:
			later = append(later, e)
		}
	}
	r.gather(placements, later)
	r.assign(later)
	r.settle()
	return r.history(known, mint)
}

// reconstruction is the work in hand: the filters found so far.
type reconstruction struct {
	params  Params
	clock   *Clock
	filters []*draft
	// either holds removals that fit several filters alike, with the filters they fit.
	either []ambiguous
	// tried holds attempts and repositionings with all filters that each can have been about: one of them was in on its day.
	tried []trial
}

// draft is one filter while its history is being put together.
type draft struct {
	events   []Event      // placements, claims and device entries
	later    []Event      // removals, attempts and the rest that were given to it
	removal  *retrieval   // that took it out
	parts    []*retrieval // each of which took a part of it out, in order
	reopened bool
	unclear  []string
	doubts   []Contradiction
	// fitted says that an entry was given to it because it fits, not because it names it.
	fitted bool
	// seen: a code says that it, and no other, was seen in place.
	seen   bool
	orphan bool // known only from something that was done to it later
	// settled says how several removals that fit it and others alike left it, where every story agrees; nil where none do.
	settled *outcome
}

// outcome is how a filter ended and on which days its removal can have been.
type outcome struct {
	standing Standing
	removed  Span
}

// retrieval is one removal as told by one or more entries.
type retrieval struct {
	events []Event
	when   Span
	at     int // its place in the order of time
}

type trial struct {
	when    Span
	filters []*draft
}

type ambiguous struct {
	removal *retrieval
	filters []*draft
}

// happened gives a placement as it counts on asOf: not at all before its day, except that an entry which says "done" for a
// day after it was written is a claim until then.
func (r *reconstruction) happened(e Event) Event {
	if e.Told != (Span{}) && !r.clock.Reached(e.When.Earliest) {
		e.When = e.Told
	}
	if r.clock.Reached(e.When.Earliest) {
		return e
	}
	if e.Kind == Placement && (e.Future || e.Undated) {
		e.Kind, e.Future = Claim, true
		return e
	}
	return Event{}
}

// dated lists the days on which the filter is told to have been placed, without the less precise ones that hold another.
func (d *draft) dated() []Span {
	var spans []Span
	for _, e := range d.events {
		if e.Kind != InPlace && e.When.Known() {
			spans = append(spans, e.When)
		}
	}
	var out []Span
	for i, s := range spans {
		wider := slices.IndexFunc(spans, func(t Span) bool { return t != s && t.Earliest >= s.Earliest && t.Latest <= s.Latest }) >= 0
		if !wider && slices.Index(spans, s) == i {
			out = append(out, s)
		}
	}
	return out
}

// placed gives the days on which the filter can have been placed: the common days of all tellers, else all their days.
func (d *draft) placed() Span {
	spans := d.dated()
	if len(spans) == 0 {
		return Unknown()
	}
	common, hull, agree := spans[0], spans[0], true
	for _, s := range spans[1:] {
		hull = hull.Hull(s)
		if o, ok := common.Overlap(s); agree && ok {
			common = o
			continue
		}
		agree = false
	}
	if agree {
		return common
	}
	return hull
}

// devices lists what is said of the device by all tellers, the fullest first by content order.
func (d *draft) devices() []Device {
	var out []Device
	for e := range d.told() {
		for i := range e.Devices {
			if !slices.Contains(out, e.Devices[i]) {
				out = append(out, e.Devices[i])
			}
		}
	}
	return out
}

// told gives all events of the filter: those of its placement, then what was given to it later.
func (d *draft) told() iter.Seq[*Event] {
	return func(yield func(*Event) bool) {
		for _, events := range [...][]Event{d.events, d.later} {
			for i := range events {
				if !yield(&events[i]) {
					return
				}
			}
		}
	}
}

// start gives the clock time of the placement where a teller has one, else -1.
func (d *draft) start() int {
	for _, e := range d.events {
		if e.Kind == Placement && e.Start >= 0 {
			return e.Start
		}
	}
	return -1
}

func (d *draft) doubt(kind, text string, decides bool, evidence ...Ref) {
	// The list may be an event's own, whose first entry is the event itself.
	evidence = slices.Clone(evidence)
	slices.Sort(evidence)
	c := Contradiction{Kind: kind, Text: text, Evidence: slices.Compact(evidence), Decides: decides}
	for _, have := range d.doubts {
		if have.Kind == c.Kind && slices.Equal(have.Evidence, c.Evidence) {
			return
		}
	}
	d.doubts = append(d.doubts, c)
}

// loose reports whether an entry was given to the filter because it fits: then the answer rests on what other filters the
// entry could have been about, too.
func (d *draft) loose() bool {
	return d.fitted || len(d.doubts) > 0 || slices.ContainsFunc(d.later, func(e Event) bool {
		return !d.isSaid(e.Of) && !slices.ContainsFunc(d.events, func(p Event) bool { return namesSame(p.Devices, e.Devices) })
	})
}

// tied gives the entries of all filters, sorted, once each, where several are told of and any entry was given by fit.
func (r *reconstruction) tied() []Ref {
	if len(r.filters) < 2 || !slices.ContainsFunc(r.filters, (*draft).loose) {
		return nil
	}
	var out []Ref
	for _, d := range r.filters {
		out = append(out, d.evidence()...)
		for _, c := range d.doubts {
			out = append(out, c.Evidence...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (d *draft) evidence() []Ref {
	var out []Ref
	for e := range d.told() {
		out = append(out, e.Evidence...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// flaws lists what is wrong with the labels of the filter's devices. It never decides anything.
func (d *draft) flaws() []Contradiction {
	var out []Contradiction
	for _, v := range d.devices() {
		if v.Flaw == "" {
			continue
		}
		var evidence []Ref
		for e := range d.told() {
			if slices.Contains(e.Devices, v) {
				evidence = append(evidence, e.Evidence...)
			}
		}
		slices.Sort(evidence)
		out = append(out, Contradiction{Kind: "device-label", Text: v.Flaw, Evidence: slices.Compact(evidence)})
	}
	return out
}

// outOfTime notes a placement on a day on which the model was not sold: the model or the day is wrong. It never decides anything.
func (d *draft) outOfTime(placed Span) []Contradiction {
	m := d.model()
	text := ""
	switch {
	case m.MarketedFrom != 0 && placed.Latest < m.MarketedFrom:
		text = "The placement is dated " + placed.String() + ", and the model " + m.Name + " was first sold on " + m.MarketedFrom.String() + ": the model or the day is wrong."
	case m.MarketedTo != 0 && placed.Earliest > m.MarketedTo:
		text = "The placement is dated " + placed.String() + ", and the model " + m.Name + " was last sold on " + m.MarketedTo.String() + ": the model or the day may be wrong."
	default:
		return nil
	}
	return []Contradiction{{Kind: "model-out-of-time", Text: text, Evidence: d.evidence()}}
}

// own lists what makes this filter itself and no other.
func (d *draft) own() []Ref {
	var out []Ref
	for _, e := range d.events {
		out = append(out, first(e.Evidence))
		for _, v := range e.Devices {
			if v.Ref != "" {
				out = append(out, v.Ref)
			}
		}
	}
	if len(out) == 0 {
		for _, e := range d.later {
			out = append(out, first(e.Evidence))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// refs lists the entries that events stand on, sorted, once each.
func refs(events []Event) []Ref {
	var out []Ref
	for _, e := range events {
		out = append(out, e.Evidence...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// history closes the work: standing, placed, model, keys, and a total order.
func (r *reconstruction) history(known []KnownKey, mint func(Ref) string) History {
	h := History{}
	tied := r.tied()
	for _, d := range r.filters {
		f := r.close(d)
		f.Tied = tied
		h.Filters = append(h.Filters, f)
	}
	slices.SortStableFunc(h.Filters, func(a, b Filter) int {
		return strings.Compare(contentOrder(a), contentOrder(b))
	})
	h.Merged = assignKeys(h.Filters, known, mint)
	slices.SortStableFunc(h.Filters, byDay)
	return h
}

func (r *reconstruction) close(d *draft) Filter {
	f := Filter{Placed: d.placed(), Removed: Unknown()}
	f.Devices = d.devices()
	f.Contradictions = slices.Concat(d.doubts, d.flaws(), d.outOfTime(f.Placed))
	f.Events = slices.Concat(d.events, d.later)
	slices.SortFunc(f.Events, compare)
	f.Evidence = refs(f.Events)
	for _, kinds := range [][]Kind{{Placement, Claim}, {InPlace}} {
		for _, e := range f.Events {
			if slices.Contains(kinds, e.Kind) && len(e.Evidence) > 0 && !slices.Contains(f.PlacementRefs, e.Evidence[0]) {
				f.PlacementRefs = append(f.PlacementRefs, e.Evidence[0])
			}
		}
	}
	f.Own = d.own()
	f.Model = d.model()
	f.Standing, f.Why = r.standing(d, &f)
	slices.SortFunc(f.Contradictions, func(a, b Contradiction) int {
		return strings.Compare(a.Kind+strings.Join(a.Evidence, " "), b.Kind+strings.Join(b.Evidence, " "))
	})
	return f
}

func (r *reconstruction) standing(d *draft, f *Filter) (Standing, string) {
	switch {
	case d.settled != nil && d.settled.standing == StandingRemoved:
		f.Removed = d.settled.removed
		return StandingRemoved, ""
	case d.removal != nil && !d.reopened:
		f.Removed = d.removal.when
		return StandingRemoved, ""
	case len(d.unclear) > 0:
		slices.Sort(d.unclear)
		return StandingUnclear, strings.Join(slices.Compact(d.unclear), "; ")
	case d.settled != nil && d.settled.standing == StandingPartly:
		f.Removed = d.settled.removed
		return StandingPartly, ""
	case len(d.parts) > 0:
		f.Removed = d.parts[len(d.parts)-1].when
		return StandingPartly, ""
	case !d.orphan && !d.seen && !slices.ContainsFunc(d.events, func(e Event) bool { return e.Kind != Claim }):
		return StandingUnclear, "no entry says that the placement was completed"
	}
	return StandingInPlace, ""
}

// model gives the best identified model that no teller contradicts; tellers that name different models leave it unknown.
func (d *draft) model() Model {
	best := Model{Design: "unknown", Intent: "unknown", By: "none"}
	rank := func(m Model) int { return slices.Index([]string{"none", "name", "model-number", "udi"}, m.By) }
	for _, v := range d.devices() {
		m := v.Model
		if rank(m) <= 0 {
			continue
		}
		if rank(best) > 0 && best.Name != m.Name {
			if rank(best) == rank(m) {
				return Model{Name: "", Design: "unknown", Intent: "unknown", By: "none"}
			}
		}
		if rank(m) > rank(best) {
			best = m
		}
	}
	if rank(best) == 0 {
		best.Name = d.toldModel()
	}
	return best
}
