package filter

import "slices"

// assignSighting gives an entry that says by its code that a filter was seen in place to the filter that it must have been. It
// makes a placement that was only claimed one that happened, brings back a removal that was only presumed, and puts one that was
// confirmed in doubt: then another filter, which nobody told of, may have been seen.
func (r *reconstruction) assignSighting(e Event) {
	r.tried = append(r.tried, trial{e.When, r.triable(e)})
	found := slices.DeleteFunc(r.candidates(nil, nil, e.When), func(d *draft) bool {
		return d.placed().Known() && d.placed().Earliest > e.When.Latest
	})
	switch {
	case len(found) > 0:
		for _, d := range found {
			d.later = append(d.later, e)
			d.seen = d.seen || len(found) == 1
		}
		return
	case len(r.inPlaceOn(e)) > 0:
		for _, d := range r.inPlaceOn(e) {
			d.later = append(d.later, e)
		}
		return
	}
	if d := r.lastPresumed(&retrieval{events: []Event{e}, when: e.When}); d != nil {
		r.reopen(d, e)
		return
	}
	var last *draft
	for _, d := range r.filters {
		if d.removal != nil && (last == nil || d.removal.when.Latest > last.removal.when.Latest) {
			last = d
		}
	}
	if last == nil {
		d := r.unplaced(e)
		d.later, d.seen = append(d.later, e), true
		return
	}
	last.later = append(last.later, e)
	last.seenAfter(e)
}
