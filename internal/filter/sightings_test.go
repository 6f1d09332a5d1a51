package filter_test

import (
	"testing"

	"dwellwatch/internal/filter"
)

// TestInUseAfterARemoval: a removal known from its code only is taken back by any later teller, one that was confirmed only by one
// that names the very device.
func TestInUseAfterARemoval(t *testing.T) {
	t.Parallel()
	own := []filter.Device{{Ref: "Device/own"}}
	placed, confirmed, presumed := told(filter.Placement, "in", day(t, "2024-01-10")), told(filter.Removal, "out", day(t, "2024-02-01")), told(filter.Removal, "out", day(t, "2024-02-01"))
	placed.Devices, confirmed.Confirmed, presumed.Presumed = own, true, true
	named, unnamed := told(filter.InPlace, "use", day(t, "2024-03-01")), told(filter.InPlace, "use", day(t, "2024-03-01"))
	named.Devices = own
	early := named
	early.When = filter.On(day(t, "2024-01-20"))
	for _, c := range []struct {
		name   string
		events []filter.Event
		want   filter.Standing
	}{
		{"confirmed, the device named", []filter.Event{placed, confirmed, named}, filter.StandingUnclear},
		{"confirmed, no device named", []filter.Event{placed, confirmed, unnamed}, filter.StandingRemoved},
		{"confirmed, the device named before", []filter.Event{placed, confirmed, early}, filter.StandingRemoved},
		{"presumed, no device named", []filter.Event{placed, presumed, unnamed}, filter.StandingUnclear},
	} {
		h := reconstruct(c.events, day(t, "2024-06-01"))
		if len(h.Filters) != 1 || h.Filters[0].Standing != c.want {
			t.Errorf("%s: %+v", c.name, h.Filters)
		}
	}
}
