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

// ofOthers reports whether two entries name the devices of different filters.
func (r *reconstruction) ofOthers(a, b Event) bool {
	of := func(e Event) *draft {
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
