package filter

import (
	"fmt"
	"slices"
)

// mostStories bounds the stories told at once; beyond it nothing is certain and every filter of the group is unclear.
const mostStories = 4096

// settle decides removals that fit several filters alike. A story gives every removal, in the order of time, to a filter
// that was in, whole or in part, on its day, and leaves as few as possible without one. A filter wholly out is not taken
// again; one of which a part was left is, and an attempt was made on a filter that was in then. What every such story agrees on is taken as told; the standing of a filter is
// unclear exactly when two of them differ in it.
func (r *reconstruction) settle() {
	for _, g := range groupsOf(r.either) {
		ends := g.stories(r.tried)
		var open []ambiguous
		for i, a := range g.removals {
			takers := takersOf(ends, i)
			if len(takers) == 1 && takers[0] >= 0 {
				g.filters[takers[0]].take(a.removal)
				continue
			}
			left := ambiguous{removal: a.removal}
			for _, f := range takers {
				if f >= 0 {
					left.filters = append(left.filters, g.filters[f])
				}
			}
			if len(left.filters) == 0 {
				left.filters = a.filters
			}
			open = append(open, left)
		}
		for _, d := range g.filters {
			slices.SortFunc(d.parts, func(x, y *retrieval) int { return x.at - y.at })
		}
		for _, rest := range groupsOf(open) {
			rest.close(g, ends)
		}
	}
}

// group is removals that fit filters in common, in the order of time, with all filters that they fit.
type group struct {
	removals []ambiguous
	filters  []*draft
}

func groupsOf(either []ambiguous) []group {
	var out []group
	for rest := either; len(rest) > 0; {
		g := group{removals: []ambiguous{rest[0]}, filters: slices.Clone(rest[0].filters)}
		rest = rest[1:]
		for grown := true; grown; {
			grown = false
			var apart []ambiguous
			for _, a := range rest {
				if !slices.ContainsFunc(a.filters, func(d *draft) bool { return slices.Contains(g.filters, d) }) {
					apart = append(apart, a)
					continue
				}
				g.removals, grown = append(g.removals, a), true
				for _, d := range a.filters {
					if !slices.Contains(g.filters, d) {
						g.filters = append(g.filters, d)
					}
				}
			}
			rest = apart
		}
		slices.SortFunc(g.removals, func(a, b ambiguous) int { return a.removal.at - b.removal.at })
		out = append(out, g)
	}
	return out
}

// story is how far one telling has come.
type story struct {
	state []Standing   // of each filter
	last  []*retrieval // that each filter was touched by
	took  []int        // the filter that each removal was given to; -1 for none
	over  int          // removals and attempts without a filter
}

// stories lists all tellings with as few removals left over as can be; nil where there are too many to tell.
func (g group) stories(tried []trial) []story {
	type step struct {
		at      int        // twice the place in the order of removals; an attempt lies between two
		removal *retrieval // nil for an attempt
		filters []int
		open    bool
	}
	var steps []step
	at := func(d *draft) int { return slices.Index(g.filters, d) }
	for _, a := range g.removals {
		s := step{at: 2 * a.removal.at, removal: a.removal, open: true}
		for _, d := range a.filters {
			s.filters = append(s.filters, at(d))
		}
		steps = append(steps, s)
	}
	for i, d := range g.filters {
		for _, o := range d.parts {
			steps = append(steps, step{at: 2 * o.at, removal: o, filters: []int{i}})
		}
		if d.removal != nil {
			steps = append(steps, step{at: 2 * d.removal.at, removal: d.removal, filters: []int{i}})
		}
	}
	removals := slices.Clone(steps)
	for _, t := range tried {
		s := step{at: -1}
		for _, o := range removals {
			// Only a removal that was certainly over by then can have left nothing to try.
			if o.removal.when.Latest < t.when.Earliest {
				s.at = max(s.at, o.at+1)
			}
		}
		elsewhere := false
		for _, d := range t.filters {
			if i := at(d); i >= 0 {
				s.filters = append(s.filters, i)
				continue
			}
			elsewhere = elsewhere || d.removal == nil || d.removal.when.Latest >= t.when.Earliest
		}
		if !elsewhere && len(s.filters) > 0 {
			steps = append(steps, s)
		}
	}
	slices.SortStableFunc(steps, func(a, b step) int { return a.at - b.at })

	start := story{state: make([]Standing, len(g.filters)), last: make([]*retrieval, len(g.filters))}
	for i := range start.state {
		start.state[i] = StandingInPlace
	}
	told := []story{start}
	for _, s := range steps {
		var next []story
		for _, t := range told {
			if s.removal == nil {
				if !slices.ContainsFunc(s.filters, func(f int) bool { return t.state[f] != StandingRemoved }) {
					t.over++
				}
				next = append(next, t)
				continue
			}
			for _, f := range s.filters {
				if t.state[f] == StandingRemoved {
					continue
				}
				n := story{state: slices.Clone(t.state), last: slices.Clone(t.last), took: slices.Clone(t.took), over: t.over}
				n.state[f], n.last[f] = StandingRemoved, s.removal
				if s.removal.partial() {
					n.state[f] = StandingPartly
				}
				if s.open {
					n.took = append(n.took, f)
				}
				next = append(next, n)
			}
			if s.open {
				next = append(next, story{state: t.state, last: t.last, took: append(slices.Clone(t.took), -1), over: t.over + 1})
			}
		}
		if len(next) > mostStories {
			return nil
		}
		told = next
	}
	least := len(steps)
	for _, t := range told {
		least = min(least, t.over)
	}
	return slices.DeleteFunc(told, func(t story) bool { return t.over > least })
}

// takersOf lists the filters that stories give a removal to, -1 among them for none.
func takersOf(stories []story, removal int) []int {
	var out []int
	for _, t := range stories {
		if f := t.took[removal]; !slices.Contains(out, f) {
			out = append(out, f)
		}
	}
	slices.Sort(out)
	return out
}

// close says of the filters of g what the stories of the group it was part of agree on.
func (g group) close(whole group, stories []story) {
	var events []Event
	when := g.removals[0].removal.when
	for _, a := range g.removals {
		events = append(events, a.removal.events...)
		when = when.Hull(a.removal.when)
	}
	all := refs(events)
	for _, d := range g.filters {
		all = append(all, d.evidence()...)
	}
	for _, d := range g.filters {
		d.later = append(d.later, events...)
		if d.removal != nil {
			continue
		}
		agreed := agreedOn(stories, slices.Index(whole.filters, d))
		if agreed == nil {
			d.unclear = append(d.unclear, "a removal fits this filter and another one alike")
			d.doubt("removal-of-which", "A removal on "+when.String()+" does not say which of the filters in place it took out.", true, slices.Clone(all)...)
			continue
		}
		if agreed.standing != StandingInPlace {
			d.settled = agreed
		}
		d.doubt("removal-of-which", fmt.Sprintf("Which of the filters each removal between %s and %s took out is not said; every telling leaves this one %s.", when.Earliest, when.Latest, agreed.standing), false, slices.Clone(all)...)
	}
}

// agreedOn gives how every story leaves a filter; nil where two differ or none is told.
func agreedOn(stories []story, f int) *outcome {
	var out *outcome
	for _, t := range stories {
		removed := Unknown()
		if o := t.last[f]; o != nil {
			removed = o.when
		}
		switch {
		case out == nil:
			out = &outcome{t.state[f], removed}
		case out.standing != t.state[f]:
			return nil
		case removed.Known():
			out.removed = out.removed.Hull(removed)
		}
	}
	return out
}

// partial reports whether a part stayed in.
func (o *retrieval) partial() bool {
	return slices.ContainsFunc(o.events, func(e Event) bool { return e.Kind == PartialRemoval || e.Fragment })
}
