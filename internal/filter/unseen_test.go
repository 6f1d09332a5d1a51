package filter_test

import (
	"testing"

	"dwellwatch/internal/filter"
)

// TestImagingThatSeesNoFilter: it puts in doubt a filter placed before and not removed, seen or worked on since.
func TestImagingThatSeesNoFilter(t *testing.T) {
	t.Parallel()
	placed := told(filter.Placement, "in", day(t, "2024-01-10"))
	unseen := filter.Event{Kind: filter.Hint, Unseen: true, When: filter.On(day(t, "2024-03-01")), Start: -1, Evidence: []filter.Ref{"DiagnosticReport/ct"}}
	before := unseen
	before.When = filter.On(day(t, "2024-01-10"))
	for _, c := range []struct {
		name   string
		events []filter.Event
		want   filter.Standing
	}{
		{"after the placement", []filter.Event{placed, unseen}, filter.StandingUnclear},
		{"on the day of the placement", []filter.Event{placed, before}, filter.StandingInPlace},
		{"after the removal", []filter.Event{placed, told(filter.Removal, "out", day(t, "2024-02-01")), unseen}, filter.StandingRemoved},
		{"before an attempt", []filter.Event{placed, told(filter.Attempt, "try", day(t, "2024-03-05")), unseen}, filter.StandingInPlace},
	} {
		h := reconstruct(c.events, day(t, "2024-06-01"))
		if len(h.Filters) != 1 || h.Filters[0].Standing != c.want {
			t.Errorf("%s: %+v", c.name, h.Filters)
		}
	}
	if h := reconstruct([]filter.Event{unseen}, day(t, "2024-06-01")); len(h.Filters) != 0 {
		t.Errorf("imaging alone makes a filter: %+v", h.Filters)
	}
}
