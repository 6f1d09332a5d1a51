package filter_test

import (
	"testing"

	"dwellwatch/internal/filter"
)

// TestOutOfTime: a placement on a day on which its model was not sold is told, on the first and the last day of the sale it is not, and
// a span that touches the sale is not. It never decides anything.
func TestOutOfTime(t *testing.T) {
	t.Parallel()
	model := filter.Model{Name: "Example A", By: "name", MarketedFrom: day(t, "2015-03-01"), MarketedTo: day(t, "2019-06-30")}
	for placed, want := range map[filter.Span]bool{
		filter.On(day(t, "2015-02-28")): true, filter.On(day(t, "2015-03-01")): false, filter.On(day(t, "2019-06-30")): false, filter.On(day(t, "2019-07-01")): true,
		{Earliest: day(t, "2015-01-01"), Latest: day(t, "2015-12-31")}: false, {Earliest: day(t, "2019-06-01"), Latest: day(t, "2019-12-31")}: false,
	} {
		e := told(filter.Placement, "in", placed.Earliest)
		e.When, e.Devices = placed, []filter.Device{{Ref: "Device/a", Model: model}}
		f := reconstruct([]filter.Event{e}, day(t, "2024-01-01")).Filters[0]
		got := false
		for _, c := range f.Contradictions {
			got = got || c.Kind == "model-out-of-time" && !c.Decides
		}
		if got != want || f.Standing != filter.StandingInPlace {
			t.Errorf("%s: told %v, want %v (%s)", placed, got, want, f.Standing)
		}
	}
}
