package filter

import (
	"slices"
)

// failedBeside lists the failed attempts beside which a retrieval lies that is known from its code only: it may be the bill for one of
// them, because both are coded alike.
func (r *reconstruction) failedBeside(o *retrieval, events []Event) []Event {
	var out []Event
	if !presumed(o) || o.partial() || !o.when.Bounded() {
		return out
	}
	for _, e := range events {
		if e.Kind == Attempt && r.clock.Reached(e.When.Earliest) && e.When.Bounded() && e.When.Gap(o.when) <= r.params.SamePlacementDays &&
			!conflict(&draft{events: []Event{e}}, &draft{events: others(o)}) &&
			!slices.ContainsFunc(o.events, func(f Event) bool { return r.ofOthers(e, f) }) {
			out = append(out, e)
		}
	}
	return out
}

// assignBilled leaves open whether such a retrieval took the filter out.
func (r *reconstruction) assignBilled(o *retrieval, failed []Event) {
	devices, of := o.about()
	found := r.candidates(devices, of, o.when)
	if len(found) == 0 {
		found = []*draft{r.unplaced(o.events[0])}
	}
	for _, d := range found {
		d.later = append(d.later, o.events...)
		if d.removal != nil || d.partBy(o.when) {
			continue
		}
		d.unclear = append(d.unclear, "a retrieval known from its code only may be the bill of an attempt that failed")
		d.doubt("failed-or-removed", "A retrieval on "+o.when.String()+" is known from its code only, and another entry says that an attempt of that time failed: it may be the same one.", true, slices.Concat(d.evidence(), refs(o.events), refs(failed))...)
	}
}

// assignUndated leaves open whether a retrieval of no known day, known from its code only, took out a filter that may have been in by the
// day on which it was written. It was an earlier filter's where all were placed later.
func (r *reconstruction) assignUndated(o *retrieval) {
	devices, of := o.about()
	found := r.candidates(devices, of, o.when)
	if len(found) == 0 {
		if len(of) == 0 && len(r.inPlaceOn(Event{When: o.when})) > 0 {
			return // told without a day of one that is out
		}
		r.before(o)
		d := r.unplaced(o.events[0])
		if slices.ContainsFunc(r.filters, func(f *draft) bool { return f.placed().Earliest > o.when.Latest }) {
			d.take(o)
			return
		}
		found = []*draft{d}
	}
	for _, d := range found {
		if d.removal != nil || d.partBy(o.when) {
			continue
		}
		d.later = append(d.later, o.events...)
		d.unclear = append(d.unclear, "a retrieval of no known day is known from its code only")
		d.doubt("undated-removal", "A retrieval on no known day is known from its code only: it may have been of this filter or of one before it.", true, append(d.evidence(), refs(o.events)...)...)
	}
}

// before notes on each filter placed after a retrieval of no known day was written that it was not this one's.
func (r *reconstruction) before(o *retrieval) {
	for _, d := range r.filters {
		if d.placed().Earliest > o.when.Latest {
			d.doubt("removal-before-placement", "A retrieval of no known day was written "+o.when.Latest.String()+", before the placement on "+d.placed().String()+": it was of an earlier filter.", false, append(d.evidence(), refs(o.events)...)...)
		}
	}
}

// about gives the devices that the entries of a retrieval name, and the filters that they say they are about.
func (o *retrieval) about() (devices []Device, of []Ref) {
	for _, e := range o.events {
		devices, of = append(devices, e.Devices...), append(of, e.Of...)
	}
	return devices, of
}

// assignAttempt gives an attempt or a repositioning to its filter; it proves that a filter was in on that day.
func (r *reconstruction) assignAttempt(e Event) {
	r.tried = append(r.tried, trial{e.When, r.triable(e)})
	found := r.candidates(e.Devices, e.Of, e.When)
	found = slices.DeleteFunc(found, func(d *draft) bool {
		return d.removal != nil && d.removal.when.Latest < e.When.Earliest
	})
	switch {
	case len(found) > 0:
	case len(e.Of) > 0:
		if r.saidAfter(e) {
			return
		}
	default:
		found = r.inPlaceOn(e)
	}
	switch {
	case len(found) == 0:
		if d := r.lastPresumed(&retrieval{events: []Event{e}, when: e.When}); d != nil && len(e.Of) == 0 {
			r.reopen(d, e)
			return
		}
		d := r.unplaced(e)
		d.later = append(d.later, e)
	case len(found) == 1:
		found[0].later = append(found[0].later, e)
	default:
		for _, d := range found {
			d.doubt("attempt-of-which", "An entry of "+e.When.String()+" does not say which of the filters it is about.", false, append(d.evidence(), e.Evidence...)...)
			d.later = append(d.later, e)
		}
	}
}

// triable lists the filters that an attempt can have been about: the one whose device it names, else all placed by then that
// nothing tells apart from it.
func (r *reconstruction) triable(e Event) []*draft {
	said, named, possible := r.saidOf(e.Of), []*draft(nil), []*draft(nil)
	for _, d := range r.filters {
		switch {
		case d.orphan || d.placed().Earliest > e.When.Latest || len(said) > 0 && !slices.Contains(said, d):
		case len(said) > 0 || namesSame(d.devices(), e.Devices):
			named = append(named, d)
		case len(e.Of) == 0 && !conflict(d, &draft{events: []Event{{Kind: InPlace, Devices: e.Devices}}}):
			possible = append(possible, d)
		}
	}
	if len(named) > 0 {
		return named
	}
	return possible
}

// inPlaceOn lists filters that have since come out but were in on the day of the event.
func (r *reconstruction) inPlaceOn(e Event) []*draft {
	var out []*draft
	for _, d := range r.filters {
		if d.removal != nil && d.placed().Earliest <= e.When.Latest && d.removal.when.Latest >= e.When.Earliest {
			out = append(out, d)
		}
	}
	return out
}
