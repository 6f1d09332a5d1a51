package filter

import (
	"fmt"
	"slices"
)

// gather turns the tellers of placements into filters: entries that name the same device are one filter whatever their
// days; placements close in time that nothing tells apart are one; device entries without a day join the filter they fit.
func (r *reconstruction) gather(events, later []Event) {
	groups := sameDevice(events)
	slices.SortStableFunc(groups, func(a, b *draft) int {
		switch da, db := len(a.dated()) > 0, len(b.dated()) > 0; {
		case da && !db:
			return -1
		case db && !da:
			return 1
		}
		return compare(a.events[0], b.events[0])
	})
	var undated []*draft
	for _, g := range groups {
		if len(g.dated()) == 0 {
			undated = append(undated, g)
			continue
		}
		if home := r.closest(g, later); home != nil {
			home.events = append(home.events, g.events...)
			continue
		}
		r.filters = append(r.filters, g)
	}
	r.joinUndated(undated)
	for _, d := range r.filters {
		slices.SortFunc(d.events, compare)
		r.checkDays(d)
	}
	r.checkNeighbours(later)
}

// sameDevice groups events that name the same entry or the same device identifier with serial or lot.
func sameDevice(events []Event) []*draft {
	var groups []*draft
	for _, e := range events {
		g := &draft{events: []Event{e}}
		var apart []*draft
		for _, h := range groups {
			if sharesDevice(h.events, e) {
				g.events = append(g.events, h.events...)
				continue
			}
			apart = append(apart, h)
		}
		slices.SortFunc(g.events, compare)
		groups = append(apart, g)
	}
	return groups
}

func sharesDevice(events []Event, e Event) bool {
	for _, f := range events {
		// One entry that names two devices placed two filters; it does not make them one.
		if first(f.Evidence) == first(e.Evidence) && f.Kind == e.Kind {
			continue
		}
		if namesSame(f.Devices, e.Devices) {
			return true
		}
	}
	return false
}

func namesSame(a, b []Device) bool {
	for _, x := range a {
		for _, y := range b {
			if x.same(y) {
				return true
			}
		}
	}
	return false
}

// conflict reports whether two sets of tellers cannot mean one device: different identifiers, serials or models, two
// devices named by one entry, or a word for "second".
func conflict(a, b *draft) bool {
	for _, e := range a.events {
		for _, f := range b.events {
			if e.Second != f.Second && e.Kind != InPlace && f.Kind != InPlace {
				return true
			}
			if first(e.Evidence) == first(f.Evidence) && len(e.Devices) > 0 && len(f.Devices) > 0 && !namesSame(e.Devices, f.Devices) {
				return true
			}
		}
	}
	for _, x := range a.devices() {
		for _, y := range b.devices() {
			if x.other(y) {
				return true
			}
		}
	}
	return false
}

func differ(a, b string) bool { return a != "" && b != "" && a != b }

// closest finds the filter that a dated group belongs to: all days within the threshold, nothing that tells them apart.
func (r *reconstruction) closest(g *draft, later []Event) *draft {
	var best *draft
	bestGap := 0
	for _, d := range r.filters {
		if conflict(d, g) || between(d, g, later) {
			continue
		}
		gap, fits := 0, true
		for _, s := range d.dated() {
			for _, t := range g.dated() {
				gap = max(gap, s.Gap(t))
				fits = fits && s.Gap(t) <= r.params.SamePlacementDays
			}
		}
		if fits && (best == nil || gap < bestGap) {
			best, bestGap = d, gap
		}
	}
	return best
}

// between reports whether a removal, whole or in part, lies after the one placement and not after the other.
func between(a, b *draft, later []Event) bool {
	early, late := a.placed(), b.placed()
	if late.Earliest < early.Earliest {
		early, late = late, early
	}
	return slices.ContainsFunc(later, func(e Event) bool {
		return (e.Kind == Removal || e.Kind == PartialRemoval) && !e.Nonspecific && early.Latest < e.When.Earliest && e.When.Latest <= late.Earliest
	})
}

// joinUndated gives device entries and placements without a day to the one filter they fit. One that fits several is left
// with none of them (its model would be a guess) and named as a doubt that does not change the verdict; one that fits none
// is a filter whose day is unknown.
func (r *reconstruction) joinUndated(groups []*draft) {
	dated := slices.Clone(r.filters)
	for _, g := range groups {
		var fits []*draft
		for _, d := range dated {
			if !conflict(d, g) {
				fits = append(fits, d)
			}
		}
		if len(fits) > 1 {
			bare := slices.DeleteFunc(slices.Clone(fits), func(d *draft) bool { return len(d.devices()) > 0 })
			if len(bare) == 1 {
				fits = bare
			}
		}
		switch {
		case len(fits) == 1:
			fits[0].events = append(fits[0].events, g.events...)
			fits[0].fitted = true
		case len(fits) > 1:
			for _, d := range fits {
				d.fitted = true
				d.doubt("device-of-which", "A device entry without a day fits more than one filter; its model is given to none.", false, refs(append(slices.Clone(d.events), g.events...))...)
			}
		default:
			r.addUndated(g, dated)
		}
	}
}

// addUndated adds a filter of unknown day, or joins one of unknown day that nothing tells apart from it.
func (r *reconstruction) addUndated(g *draft, dated []*draft) {
	for _, d := range r.filters {
		if !slices.Contains(dated, d) && !conflict(d, g) {
			d.events = append(d.events, g.events...)
			d.fitted = true
			return
		}
	}
	r.filters = append(r.filters, g)
}

// checkDays notes tellers of one filter whose days lie too far apart to be one event told twice.
func (r *reconstruction) checkDays(d *draft) {
	spans := d.dated()
	for i, s := range spans {
		for _, t := range spans[i+1:] {
			if s.Gap(t) > r.params.SamePlacementDays {
				d.doubt("placement-day", fmt.Sprintf("The placement is dated %s and %s.", s, t), true, refs(d.events)...)
			}
		}
	}
	for _, e := range d.events {
		if e.Future && e.Kind != InPlace {
			d.doubt("future-date", "An entry says that the placement was done, but dates it "+e.When.String()+", after the day it was written.", true, e.Evidence...)
		}
	}
}

// checkNeighbours notes placements close enough to be one event told twice, yet too far apart to take them as one.
func (r *reconstruction) checkNeighbours(later []Event) {
	for i, a := range r.filters {
		for _, b := range r.filters[i+1:] {
			if !a.placed().Known() || !b.placed().Known() || conflict(a, b) || between(a, b, later) {
				continue
			}
			if gap := a.placed().Gap(b.placed()); gap > r.params.MaybeSameDays || len(a.devices()) > 0 && len(b.devices()) > 0 {
				continue
			}
			text := fmt.Sprintf("Placements %s and %s may be one filter told twice or two filters; nothing in the record tells them apart.", a.placed(), b.placed())
			evidence := append(refs(a.events), refs(b.events)...)
			a.doubt("which-filter", text, true, slices.Clone(evidence)...)
			b.doubt("which-filter", text, true, evidence...)
		}
	}
}
