package filter

import "slices"

// settle decides removals that fit several filters alike. A story pairs removals with filters that were in on their day,
// each at most once, and leaves as few removals as possible without a filter; the standing of a filter is unclear exactly
// when two such stories differ in it.
func (r *reconstruction) settle() {
	r.narrow()
	for len(r.either) > 0 {
		group := []ambiguous{r.either[0]}
		filters := slices.Clone(r.either[0].filters)
		rest := r.either[1:]
		for grown := true; grown; {
			grown = false
			var apart []ambiguous
			for _, a := range rest {
				if !slices.ContainsFunc(a.filters, func(d *draft) bool { return slices.Contains(filters, d) }) {
					apart = append(apart, a)
					continue
				}
				group, grown = append(group, a), true
				for _, d := range a.filters {
					if !slices.Contains(filters, d) {
						filters = append(filters, d)
					}
				}
			}
			rest = apart
		}
		r.either = rest
		settleGroup(group, filters)
	}
}

// narrow leaves out filters that another removal is known to have taken out, and gives a removal that then fits one filter
// only to that filter, until nothing changes.
func (r *reconstruction) narrow() {
	for changed := true; changed; {
		changed = false
		var open []ambiguous
		for _, a := range r.either {
			left := slices.DeleteFunc(slices.Clone(a.filters), func(d *draft) bool { return d.removal != nil })
			if len(left) != 1 {
				open = append(open, ambiguous{a.removal, a.filters})
				continue
			}
			changed = true
			left[0].removal = a.removal
			left[0].later = append(left[0].later, a.removal.events...)
		}
		r.either = open
	}
}

func settleGroup(group []ambiguous, filters []*draft) {
	var events []Event
	when := group[0].removal.when
	for _, a := range group {
		events = append(events, a.removal.events...)
		when = when.Hull(a.removal.when)
	}
	all := refs(events)
	for _, d := range filters {
		all = append(all, d.evidence()...)
	}
	most := pairs(group, filters)
	for _, d := range filters {
		d.later = append(d.later, events...)
		if d.removal != nil {
			continue
		}
		others := slices.DeleteFunc(slices.Clone(filters), func(o *draft) bool { return o == d })
		stays := pairs(group, others) == most
		var took []*retrieval
		for i, a := range group {
			if slices.Contains(a.filters, d) && 1+pairs(slices.Delete(slices.Clone(group), i, i+1), others) == most {
				took = append(took, a.removal)
			}
		}
		partly := slices.ContainsFunc(took, (*retrieval).partial)
		switch {
		case stays || partly && slices.ContainsFunc(took, func(o *retrieval) bool { return !o.partial() }):
			d.unclear = append(d.unclear, "a removal fits this filter and another one alike")
			d.doubt("removal-of-which", "A removal on "+when.String()+" does not say which of the filters in place it took out.", true, slices.Clone(all)...)
		default:
			out := took[0].when
			for _, o := range took[1:] {
				out = out.Hull(o.when)
			}
			d.removedBy, d.partly = &out, partly
			d.doubt("removal-of-which", "As many removals as filters are recorded between "+when.Earliest.String()+" and "+when.Latest.String()+"; which took out which is not said.", false, slices.Clone(all)...)
		}
	}
}

// pairs gives the greatest number of removals that can each have taken out a filter of its own (augmenting paths).
func pairs(removals []ambiguous, filters []*draft) int {
	taker := map[*draft]int{}
	var place func(i int, tried map[*draft]bool) bool
	place = func(i int, tried map[*draft]bool) bool {
		for _, d := range removals[i].filters {
			if tried[d] || d.removal != nil || !slices.Contains(filters, d) {
				continue
			}
			tried[d] = true
			if j, taken := taker[d]; !taken || place(j, tried) {
				taker[d] = i
				return true
			}
		}
		return false
	}
	n := 0
	for i := range removals {
		if place(i, map[*draft]bool{}) {
			n++
		}
	}
	return n
}

// partial reports whether a part stayed in.
func (o *retrieval) partial() bool {
	return slices.ContainsFunc(o.events, func(e Event) bool { return e.Kind == PartialRemoval || e.Fragment })
}
