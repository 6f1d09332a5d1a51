package filter_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/filter"
)

// TestRemovalsThatFitSeveral: two filters, and removals that do not say which they took out, whole or in part.
func TestRemovalsThatFitSeveral(t *testing.T) {
	t.Parallel()
	device := func(e filter.Event, ref filter.Ref) filter.Event {
		e.Devices = append(slices.Clone(e.Devices), filter.Device{Ref: ref})
		return e
	}
	first, second := told(filter.Placement, "in1", day(t, "2024-01-10")), told(filter.Placement, "in2", day(t, "2024-03-10"))
	part := func(id, on string) filter.Event {
		e := told(filter.PartialRemoval, id, day(t, on))
		e.Fragment = true
		return e
	}
	for _, c := range []struct {
		name   string
		events []filter.Event
		want   []filter.Standing
	}{
		{"one whole", []filter.Event{first, second, told(filter.Removal, "out", day(t, "2024-05-01"))}, []filter.Standing{"unclear", "unclear"}},
		{"both whole", []filter.Event{first, second, told(filter.Removal, "out1", day(t, "2024-05-01")), told(filter.Removal, "out2", day(t, "2024-06-01"))}, []filter.Standing{"removed", "removed"}},
		{"one whole, one in part", []filter.Event{first, second, told(filter.Removal, "out1", day(t, "2024-05-01")), part("out2", "2024-06-01")}, []filter.Standing{"unclear", "unclear"}},
		// The second may have brought out the rest of what the first left; then the other filter is whole and in.
		{"both in part", []filter.Event{first, second, part("out1", "2024-05-01"), part("out2", "2024-06-01")}, []filter.Standing{"unclear", "unclear"}},
		{"each in part by name", []filter.Event{device(first, "Device/a"), device(second, "Device/b"), device(part("out1", "2024-05-01"), "Device/a"), device(part("out2", "2024-06-01"), "Device/b")}, []filter.Standing{"partly-removed", "partly-removed"}},
		{"a part, then the rest", []filter.Event{first, part("out1", "2024-02-01"), told(filter.Removal, "out2", day(t, "2024-05-01"))}, []filter.Standing{"removed"}},
		{"a part, then a failed attempt", []filter.Event{first, part("out1", "2024-02-01"), told(filter.Attempt, "out2", day(t, "2024-05-01"))}, []filter.Standing{"partly-removed"}},
		{"a part of the first by name, then one whole", []filter.Event{device(first, "Device/a"), second, device(part("out1", "2024-05-01"), "Device/a"), told(filter.Removal, "out2", day(t, "2024-06-01"))}, []filter.Standing{"unclear", "unclear"}},
		{"one in part, then the first whole by name", []filter.Event{device(first, "Device/a"), second, part("out1", "2024-05-01"), device(told(filter.Removal, "out2", day(t, "2024-06-01")), "Device/a")}, []filter.Standing{"removed", "unclear"}},
		{"both named by one entry", []filter.Event{device(first, "Device/a"), device(second, "Device/b"), device(device(told(filter.Removal, "out", day(t, "2024-05-01")), "Device/a"), "Device/b")}, []filter.Standing{"removed", "removed"}},
		{"both named by two entries of one day", []filter.Event{device(first, "Device/a"), device(second, "Device/b"), device(told(filter.Removal, "out1", day(t, "2024-05-01")), "Device/a"), device(part("out2", "2024-05-01"), "Device/b")}, []filter.Standing{"removed", "partly-removed"}},
		{"both named by one entry before either was placed", []filter.Event{device(first, "Device/a"), device(second, "Device/b"), device(device(told(filter.Removal, "out", day(t, "2024-01-02")), "Device/a"), "Device/b")}, []filter.Standing{"removed", "in-place", "in-place"}},
		{"two devices that no filter is known by", []filter.Event{first, second, device(device(told(filter.Removal, "out", day(t, "2024-05-01")), "Device/x"), "Device/y")}, []filter.Standing{"removed", "removed"}},
		{"two devices and one filter", []filter.Event{first, device(device(told(filter.Removal, "out", day(t, "2024-05-01")), "Device/x"), "Device/y")}, []filter.Standing{"removed"}},
		{"the later one names the first filter", []filter.Event{device(first, "Device/a"), device(second, "Device/b"), told(filter.Removal, "out1", day(t, "2024-05-01")), device(told(filter.Removal, "out2", day(t, "2024-06-01")), "Device/a")}, []filter.Standing{"removed", "removed"}},
		{"before the second", []filter.Event{first, second, told(filter.Removal, "out", day(t, "2024-02-01"))}, []filter.Standing{"removed", "in-place"}},
	} {
		var got []filter.Standing
		for _, f := range reconstruct(c.events, day(t, "2024-12-01")).Filters {
			got = append(got, f.Standing)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
	}
}
