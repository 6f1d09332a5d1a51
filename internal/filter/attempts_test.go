package filter_test

import (
	"testing"

	"dwellwatch/internal/filter"
)

// TestBareCodeBesideAFailedAttempt: a bill carries the same code whether the retrieval succeeded or failed (CPT 37193 states no
// outcome), so beside a failed attempt it proves nothing; three days apart are still one event, as for placements (common practice,
// no source).
func TestBareCodeBesideAFailedAttempt(t *testing.T) {
	t.Parallel()
	bare := func(id, on string) filter.Event {
		e := told(filter.Removal, id, day(t, on))
		e.Presumed, e.Confirmed = true, false
		return e
	}
	placed := told(filter.Placement, "in", day(t, "2024-01-10"))
	tried := told(filter.Attempt, "try", day(t, "2024-03-05"))
	of := func(e filter.Event, ref filter.Ref) filter.Event {
		e.Devices = []filter.Device{{Ref: ref}}
		return e
	}
	second := told(filter.Placement, "second", day(t, "2024-02-20"))
	for _, c := range []struct {
		name   string
		events []filter.Event
		want   []filter.Standing
	}{
		{"on the same day", []filter.Event{placed, tried, bare("bill", "2024-03-05")}, []filter.Standing{filter.StandingUnclear}},
		{"two days later", []filter.Event{placed, tried, bare("bill", "2024-03-07")}, []filter.Standing{filter.StandingUnclear}},
		{"three days later", []filter.Event{placed, tried, bare("bill", "2024-03-08")}, []filter.Standing{filter.StandingUnclear}},
		{"four days later", []filter.Event{placed, tried, bare("bill", "2024-03-09")}, []filter.Standing{filter.StandingRemoved}},
		{"three days before", []filter.Event{placed, tried, bare("bill", "2024-03-02")}, []filter.Standing{filter.StandingUnclear}},
		{"and a removal that says it succeeded", []filter.Event{placed, tried, bare("bill", "2024-03-05"), told(filter.Removal, "out", day(t, "2024-03-06"))}, []filter.Standing{filter.StandingRemoved}},
		{"and a later one that says so", []filter.Event{placed, tried, bare("bill", "2024-03-05"), told(filter.Removal, "out", day(t, "2024-05-06"))}, []filter.Standing{filter.StandingRemoved}},
		{"of another device", []filter.Event{of(placed, "Device/a"), of(second, "Device/b"), of(tried, "Device/a"), of(bare("bill", "2024-03-05"), "Device/b")}, []filter.Standing{filter.StandingInPlace, filter.StandingRemoved}},
		{"of either of two", []filter.Event{of(placed, "Device/a"), of(second, "Device/b"), of(tried, "Device/a"), bare("bill", "2024-03-05")}, []filter.Standing{filter.StandingUnclear, filter.StandingUnclear}},
		{"with no placement on record", []filter.Event{tried, bare("bill", "2024-03-05")}, []filter.Standing{filter.StandingUnclear}},
	} {
		h := reconstruct(c.events, day(t, "2024-06-01"))
		var got []filter.Standing
		for _, f := range h.Filters {
			got = append(got, f.Standing)
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: %v, want %v", c.name, got, c.want)
				break
			}
		}
	}
}
