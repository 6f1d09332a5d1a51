package filter

import (
	"slices"
)

// assign gives every later event to the filter it happened to, in order of time.
func (r *reconstruction) assign(events []Event) {
	events = r.parted(r.inTime(events))
	var undated []*retrieval
	for _, o := range r.retrievals(events) {
		if presumed(o) && !o.dated() && !o.nonspecific() {
			undated = append(undated, o)
			continue
		}
		if failed := r.failedBeside(o, events); len(failed) > 0 {
			r.assignBilled(o, failed)
			continue
		}
		r.assignRemoval(o)
	}
	for _, o := range undated {
		r.assignUndated(o)
	}
	for _, e := range events {
		switch e.Kind {
		case Attempt, Repositioning:
			if r.clock.Reached(e.When.Earliest) {
				r.assignAttempt(e)
			}
		case Sighting:
			if r.clock.Reached(e.When.Earliest) {
				r.assignSighting(e)
			}
		case RemovalClaim:
			if r.clock.Reached(e.When.Earliest) || e.Future {
				r.assignClaim(e)
			}
		}
	}
	// Hints come last: by then every filter that an entry names is there to be found.
	for _, e := range events {
		if e.Kind == Hint && r.clock.Reached(e.When.Earliest) {
			r.assignHint(e)
		}
	}
	r.reopenSighted()
}

// unplaced gives the filter of which nothing is known but what was done to it later: one for each entry, however many devices
// the entry names.
func (r *reconstruction) unplaced(e Event) *draft {
	for _, d := range r.filters {
		if d.orphan && slices.ContainsFunc(d.later, func(f Event) bool { return first(f.Evidence) == first(e.Evidence) }) {
			return d
		}
	}
	d := &draft{orphan: true}
	r.filters = append(r.filters, d)
	return d
}

// take notes that a retrieval took the filter out, or a part of it.
func (d *draft) take(o *retrieval) {
	d.later = append(d.later, o.events...)
	if o.partial() {
		d.parts = append(d.parts, o)
		return
	}
	d.removal = o
}

// partBy reports whether a part came out on a day not before when: then what happened on when left a filter in.
func (d *draft) partBy(when Span) bool {
	return slices.ContainsFunc(d.parts, func(o *retrieval) bool { return o.when.Latest >= when.Earliest })
}

// retrievals merges entries that tell one removal: close in time and not naming different devices.
func (r *reconstruction) retrievals(events []Event) []*retrieval {
	var out []*retrieval
	for _, e := range events {
		if e.Kind != Removal && e.Kind != PartialRemoval {
			continue
		}
		if !r.clock.Reached(e.When.Earliest) {
			r.removalAhead(e)
			continue
		}
		at := slices.IndexFunc(out, func(o *retrieval) bool {
			return !slices.ContainsFunc(o.events, func(f Event) bool {
				return f.When.Gap(e.When) > r.params.SamePlacementDays || conflict(&draft{events: []Event{f}}, &draft{events: []Event{e}}) || r.ofOthers(f, e)
			}) && e.When.Bounded()
		})
		if at < 0 {
			out = append(out, &retrieval{events: []Event{e}, at: len(out)})
			continue
		}
		out[at].events = append(out[at].events, e)
	}
	for _, o := range out {
		dated := slices.DeleteFunc(slices.Clone(o.events), func(e Event) bool { return !e.When.Bounded() })
		if len(dated) == 0 {
			dated = o.events
		}
		o.when = (&draft{events: dated}).placed()
	}
	return out
}

// nonspecific reports that no entry of the retrieval names the cava.
func (o *retrieval) nonspecific() bool {
	return !slices.ContainsFunc(o.events, func(e Event) bool { return !e.Nonspecific })
}

// dated reports a first day on which the retrieval can have been: without one it may be as old as any filter.
func (o *retrieval) dated() bool { return o.when.Earliest > MinDay }

// removalAhead notes a removal said to be done on a day after it was written: standing stays as without it.
func (r *reconstruction) removalAhead(e Event) {
	if !e.Future && !e.Undated {
		return
	}
	for _, d := range r.candidates(e.Devices, e.Of, e.When) {
		d.later = append(d.later, e)
		d.doubt("future-date", "An entry says that the filter was removed, but dates it "+e.When.String()+", after the day it was written.", true, e.Evidence...)
	}
}

// candidates lists the filters that an event can be about: the one that it says it is about, else the one whose device it names,
// else all that can have been in place on its day.
func (r *reconstruction) candidates(devices []Device, of []Ref, when Span) []*draft {
	said, named, possible := r.saidOf(of), []*draft(nil), []*draft(nil)
	for _, d := range r.filters {
		if d.placed().Earliest > when.Latest || len(said) > 0 && !slices.Contains(said, d) {
			continue
		}
		if len(said) > 0 || namesSame(d.devices(), devices) {
			named = append(named, d)
			continue
		}
		if conflict(d, &draft{events: []Event{{Kind: InPlace, Devices: devices}}}) {
			continue
		}
		if d.removal == nil && len(of) == 0 {
			possible = append(possible, d)
		}
	}
	if len(named) > 0 {
		return named
	}
	return possible
}

func (r *reconstruction) assignRemoval(o *retrieval) {
	devices, of := o.about()
	found := r.candidates(devices, of, o.when)
	found = byClock(found, o)
	for _, e := range o.events {
		if e.Future {
			for _, d := range found {
				d.doubt("future-date", "An entry dates the removal "+e.When.String()+", after the day it was written.", true, e.Evidence...)
			}
		}
	}
	switch {
	case o.nonspecific():
		for _, d := range found {
			d.later = append(d.later, o.events...)
			if d.partBy(o.when) {
				continue
			}
			d.unclear = append(d.unclear, "a removal code that does not name the cava suggests that it is out")
			d.doubt("removal-nonspecific", "A removal on "+o.when.String()+" is coded for a device in the lower veins, not for a caval filter.", true, append(d.evidence(), refs(o.events)...)...)
		}
	case len(found) == 1 && found[0].removal != nil:
		// The device is named and already out: the later retrieval reopens a removal known only from its code.
		r.again(found[0], o)
	case len(found) == 1 && len(found[0].parts) > 0 && presumed(o) && !o.partial():
		d := found[0]
		d.later = append(d.later, o.events...)
		d.unclear = append(d.unclear, "a part had stayed in, and the later retrieval is known from its code only")
		d.doubt("rest-of-which", "A part of the filter stayed in, and a retrieval on "+o.when.String()+" does not say whether it brought the rest out.", true, append(d.evidence(), refs(o.events)...)...)
	case len(found) == 1:
		found[0].take(o)
	case len(found) > 1:
		r.either = append(r.either, ambiguous{o, found})
	default:
		if d := r.lastPresumed(o); d != nil && len(of) == 0 {
			r.again(d, o)
			return
		}
		if !o.dated() {
			r.before(o)
		}
		r.unplaced(o.events[0]).take(o)
	}
}

// byClock settles an exchange: a filter placed on the removal's own day, after it by the clock, is not the one removed.
func byClock(found []*draft, o *retrieval) []*draft {
	if len(found) < 2 || !o.when.Exact() {
		return found
	}
	start := -1
	for _, e := range o.events {
		start = max(start, e.Start)
	}
	earlier := slices.DeleteFunc(slices.Clone(found), func(d *draft) bool {
		return d.placed() == o.when && start >= 0 && d.start() > start
	})
	if len(earlier) == 0 {
		return found
	}
	return earlier
}

// lastPresumed finds the filter whose removal was known from its code only and to which a later retrieval must belong.
func (r *reconstruction) lastPresumed(o *retrieval) *draft {
	var best *draft
	for _, d := range r.filters {
		if d.removal == nil || d.orphan || !presumed(d.removal) || d.removal.when.Latest >= o.when.Earliest || conflict(d, &draft{events: others(o)}) {
			continue
		}
		if best == nil || d.removal.when.Latest > best.removal.when.Latest {
			best = d
		}
	}
	return best
}

// others gives what a retrieval says of its device, as a teller without a day, for comparison.
func others(o *retrieval) []Event {
	out := make([]Event, 0, len(o.events))
	for _, e := range o.events {
		out = append(out, Event{Kind: InPlace, Devices: e.Devices})
	}
	return out
}

func presumed(o *retrieval) bool {
	return !slices.ContainsFunc(o.events, func(e Event) bool { return !e.Presumed })
}

// again handles a second retrieval of one filter: the first, if known from its code only, was an attempt. A second one
// that is itself known only from its code leaves the standing open.
func (r *reconstruction) again(d *draft, o *retrieval) {
	before := d.removal
	evidence := append(refs(before.events), refs(o.events)...)
	d.later = append(d.later, o.events...)
	d.doubt("second-retrieval", "Retrievals are recorded on "+before.when.String()+" and "+o.when.String()+"; the first cannot have taken the filter out if the second did.", true, evidence...)
	if !presumed(before) {
		return
	}
	d.removal, d.reopened = o, presumed(o)
	if o.partial() {
		d.removal, d.parts = nil, append(d.parts, o)
	}
	for i, e := range d.later {
		if slices.ContainsFunc(before.events, func(f Event) bool { return compare(e, f) == 0 }) {
			d.later[i].Kind = Attempt
		}
	}
	if d.reopened {
		d.unclear = append(d.unclear, "two retrievals are recorded and neither states its outcome")
	}
}

func (r *reconstruction) assignClaim(e Event) {
	found := r.candidates(e.Devices, e.Of, e.When)
	if len(found) == 0 {
		if len(e.Of) == 0 && len(r.inPlaceOn(e)) > 0 {
			return
		}
		found = []*draft{r.unplaced(e)}
	}
	for _, d := range found {
		d.later = append(d.later, e)
		if d.removal == nil && !d.partBy(e.When) {
			d.unclear = append(d.unclear, "a removal is recorded without saying that it was done")
			d.doubt("removal-claim", "A removal dated "+e.When.String()+" is recorded without saying that it was done.", true, append(d.evidence(), e.Evidence...)...)
		}
	}
}

// assignHint takes an inactive device or an ended use as a hint that the filter is out; it is never a removal.
func (r *reconstruction) assignHint(e Event) {
	if e.Unseen {
		r.assignUnseen(e)
		return
	}
	var found []*draft
	for _, d := range r.filters {
		if namesSame(d.devices(), e.Devices) {
			found = append(found, d)
		}
	}
	if len(found) == 0 {
		undated := &draft{events: []Event{e}}
		var fits []*draft
		for _, d := range r.filters {
			if !conflict(d, undated) {
				fits = append(fits, d)
			}
		}
		switch len(fits) {
		case 0:
			found = []*draft{{orphan: true}}
			r.filters = append(r.filters, found[0])
		default:
			found = fits
		}
	}
	for _, d := range found {
		d.later = append(d.later, e)
		if d.removal == nil && len(d.parts) == 0 {
			d.unclear = append(d.unclear, "the device entry is inactive or its use is ended, which does not prove a removal")
			d.doubt("device-inactive", "The device entry is inactive or its use is ended, but no removal is recorded.", true, append(d.evidence(), e.Evidence...)...)
		}
	}
}

// assignUnseen takes imaging that sees no filter as a doubt about every filter placed before and not known to be in after:
// it may have moved or been removed elsewhere.
func (r *reconstruction) assignUnseen(e Event) {
	for _, d := range r.filters {
		after := slices.ContainsFunc(append(slices.Clone(d.events), d.later...), func(o Event) bool {
			return (o.Kind == InPlace || o.Kind == Attempt || o.Kind == Repositioning || o.Kind == Sighting) && o.When.Earliest > e.When.Latest
		})
		if d.orphan || d.removal != nil || len(d.parts) > 0 || after || d.placed().Known() && d.placed().Latest >= e.When.Earliest {
			continue
		}
		d.later = append(d.later, e)
		d.unclear = append(d.unclear, "imaging sees no filter and no retrieval is recorded")
		d.doubt("not-seen", "Imaging of "+e.When.String()+" sees no filter, but no retrieval is recorded: it may have moved or been removed elsewhere.", true, append(d.evidence(), e.Evidence...)...)
	}
}

// reopenSighted takes back a removal known from its code only where the filter was seen in place later. One that was confirmed is
// put in doubt only by an entry that names the very device: another may belong to a filter that nobody told of.
func (r *reconstruction) reopenSighted() {
	for _, d := range r.filters {
		if d.removal == nil {
			continue
		}
		for _, e := range d.events {
			switch {
			case e.Kind != InPlace || e.When.Earliest <= MinDay || e.When.Earliest <= d.removal.when.Latest:
			case presumed(d.removal):
				r.reopen(d, e)
			case d.isNamed(e):
				d.seenAfter(e)
			}
		}
	}
}

// isNamed reports whether an entry names the device that a placement or the removal of the filter names.
func (d *draft) isNamed(e Event) bool {
	return slices.ContainsFunc(slices.Concat(d.events, d.removal.events), func(f Event) bool {
		return f.Kind != InPlace && namesSame(f.Devices, e.Devices)
	})
}

// seenAfter puts a removal that was confirmed in doubt.
func (d *draft) seenAfter(e Event) {
	d.reopened = true
	d.unclear = append(d.unclear, "a filter was seen after the removal: a part of it, or another filter")
	d.doubt("seen-after-removal", "A filter is recorded as seen on "+e.When.String()+", after the removal on "+d.removal.when.String()+".", true, append(refs(d.removal.events), e.Evidence...)...)
}

func (r *reconstruction) reopen(d *draft, e Event) {
	for i := range d.later {
		if d.later[i].Kind == Removal {
			d.later[i].Kind = Attempt
		}
	}
	if !slices.ContainsFunc(d.events, func(f Event) bool { return compare(e, f) == 0 }) {
		d.later = append(d.later, e)
	}
	d.reopened = true
	d.unclear = append(d.unclear, "the filter was seen or worked on after a removal known only from its code")
	d.doubt("seen-after-removal", "The filter is recorded in place on "+e.When.String()+", after a removal on "+d.removal.when.String()+" that is known only from its code.", true, append(refs(d.removal.events), e.Evidence...)...)
}
