package filter

import "slices"

// parted tells an entry that names the devices of several filters as one event of each: it is about exactly those. A device
// that no filter is known by stands for a filter of its own where there is one to spare, else it goes with another; those of
// filters placed only later are told together, of none of them.
func (r *reconstruction) parted(events []Event) []Event {
	var out []Event
	for _, e := range events {
		if len(e.Devices) < 2 {
			out = append(out, e)
			continue
		}
		var owners []*draft
		var lots [][]Device
		var spare, ahead []Device
		for _, v := range e.Devices {
			at := slices.IndexFunc(r.filters, func(d *draft) bool {
				return d.placed().Earliest <= e.When.Latest && namesSame(d.devices(), []Device{v})
			})
			if at < 0 {
				if slices.ContainsFunc(r.filters, func(d *draft) bool { return namesSame(d.devices(), []Device{v}) }) {
					ahead = append(ahead, v)
				} else {
					spare = append(spare, v)
				}
				continue
			}
			i := slices.Index(owners, r.filters[at])
			if i < 0 {
				owners, lots, i = append(owners, r.filters[at]), append(lots, nil), len(owners)
			}
			lots[i] = append(lots[i], v)
		}
		free := 0
		for _, d := range r.filters {
			if !slices.Contains(owners, d) && len(d.devices()) == 0 && d.placed().Earliest <= e.When.Latest {
				free++
			}
		}
		for _, v := range spare {
			switch {
			case len(lots) == 0 || free > 0 && !namesSame(lots[len(lots)-1], []Device{v}):
				lots = append(lots, []Device{v})
				free--
			default:
				lots[len(lots)-1] = append(lots[len(lots)-1], v)
			}
		}
		if len(ahead) > 0 {
			lots = append(lots, ahead)
		}
		for _, lot := range lots {
			part := e
			part.Devices = lot
			out = append(out, part)
		}
	}
	return out
}

// ofOthers reports whether two entries are about different filters by what they say, or by the devices that they name.
func (r *reconstruction) ofOthers(a, b Event) bool {
	of := func(e Event) *draft {
		if said := r.saidOf(e.Of); len(said) == 1 {
			return said[0]
		}
		for _, d := range r.filters {
			if namesSame(d.devices(), e.Devices) {
				return d
			}
		}
		return nil
	}
	x, y := of(a), of(b)
	return x != nil && y != nil && x != y
}

// saidOf lists the filters that an entry says it is about.
func (r *reconstruction) saidOf(of []Ref) []*draft {
	if len(of) == 0 {
		return nil
	}
	var out []*draft
	for _, d := range r.filters {
		if d.isSaid(of) {
			out = append(out, d)
		}
	}
	return out
}

// isSaid reports whether an entry says that it is about the filter.
func (d *draft) isSaid(of []Ref) bool {
	return len(of) > 0 && slices.ContainsFunc(d.own(), func(ref Ref) bool { return slices.Contains(of, ref) })
}

// inTime takes out what is said to have been done to a filter before it was placed: one of the days is wrong, and there was no
// other filter.
func (r *reconstruction) inTime(events []Event) []Event {
	var out []Event
	for _, e := range events {
		said := r.saidOf(e.Of)
		if len(said) == 0 || slices.ContainsFunc(said, func(d *draft) bool { return d.placed().Earliest <= e.When.Latest }) {
			out = append(out, e)
			continue
		}
		for _, d := range said {
			d.later = append(d.later, e)
			d.doubt("before-placement", "An entry says what became of this filter on "+e.When.String()+", before its placement on "+d.placed().String()+": one of the days is wrong.", true, append(d.evidence(), e.Evidence...)...)
		}
	}
	return out
}

// saidAfter takes an attempt on a filter that was out by its day as a sign that it was not.
func (r *reconstruction) saidAfter(e Event) bool {
	said := r.saidOf(e.Of)
	for _, d := range said {
		switch {
		case d.removal == nil:
		case presumed(d.removal):
			r.reopen(d, e)
		default:
			d.later = append(d.later, e)
			d.seenAfter(e)
		}
	}
	return len(said) > 0
}
