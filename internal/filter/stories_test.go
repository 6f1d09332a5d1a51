package filter_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/internal/filter"
)

func params() filter.Params { return filter.Params{SamePlacementDays: 3, MaybeSameDays: 30} }

func reconstruct(events []filter.Event, asOf filter.Day) filter.History {
	return filter.Reconstruct(events, nil, params(), filter.NewClock(asOf), func(r filter.Ref) string { return "key of " + r })
}

func told(kind filter.Kind, id string, day filter.Day) filter.Event {
	return filter.Event{Kind: kind, When: filter.On(day), Start: -1, Confirmed: kind == filter.Removal, Evidence: []filter.Ref{"Procedure/" + id}}
}

// admissible lists every story: which removal took out which filter (index, or -1 for one that the record does not tell
// of). A filter must have been in on that day, no filter comes out twice, and as few removals as possible are left over.
func admissible(placed, removed []filter.Day) [][]int {
	var all [][]int
	least := len(removed)
	var walk func(story []int)
	walk = func(story []int) {
		if len(story) == len(removed) {
			over := 0
			for _, at := range story {
				if at < 0 {
					over++
				}
			}
			least = min(least, over)
			all = append(all, slices.Clone(story))
			return
		}
		for at := -1; at < len(placed); at++ {
			if at < 0 || placed[at] <= removed[len(story)] && !slices.Contains(story, at) {
				walk(append(story, at))
			}
		}
	}
	walk(nil)
	return slices.DeleteFunc(all, func(story []int) bool {
		over := 0
		for _, at := range story {
			if at < 0 {
				over++
			}
		}
		return over > least
	})
}

// TestRemovalsAgainstEveryStory: placements and removals with exact days and nothing else to tell them apart. The standing
// of a filter is unclear exactly when two admissible stories differ in it; else it is what they agree on.
func TestRemovalsAgainstEveryStory(t *testing.T) {
	t.Parallel()
	unclear, mixed, runs := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		first := filter.NewDay(2024, 1, 1)
		// Placements lie 40 days apart, so that they are different filters; removals 10, so that they are different removals.
		placed := drawDays(t, "placed", first, 40, 6, 2)
		removed := drawDays(t, "removed", first, 10, 30, 1)
		var events []filter.Event
		for i, d := range placed {
			events = append(events, told(filter.Placement, fmt.Sprintf("in%d", i), d))
		}
		for i, d := range removed {
			events = append(events, told(filter.Removal, fmt.Sprintf("out%d", i), d))
		}
		runs++
		got := map[string]string{}
		for _, f := range reconstruct(rapid.Permutation(events).Draw(t, "order"), first+1000).Filters {
			for _, ref := range f.PlacementRefs {
				got[ref] = string(f.Standing)
			}
		}
		want := map[string]string{}
		stories := admissible(placed, removed)
		kinds := map[string]bool{}
		for i := range placed {
			in, out := 0, 0
			for _, s := range stories {
				if slices.Contains(s, i) {
					out++
					continue
				}
				in++
			}
			standing := "unclear"
			switch {
			case out == 0:
				standing = "in-place"
			case in == 0:
				standing = "removed"
			default:
				unclear++
			}
			kinds[standing] = true
			want[fmt.Sprintf("Procedure/in%d", i)] = standing
		}
		if len(kinds) > 1 {
			mixed++
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("placed %v removed %v (-every story +got):\n%s", placed, removed, diff)
		}
	})
	t.Logf("of %d runs %d%% end with filters of different standing; %d filters unclear", runs, 100*mixed/runs, unclear)
	if unclear == 0 || mixed*10 < runs {
		t.Error("the generator makes too few hard cases")
	}
}

func drawDays(t *rapid.T, label string, first filter.Day, apart, slots, least int) []filter.Day {
	var out []filter.Day
	for _, n := range rapid.SliceOfNDistinct(rapid.IntRange(0, slots-1), least, 4, rapid.ID[int]).Draw(t, label) {
		out = append(out, first+filter.Day(n*apart))
	}
	slices.Sort(out)
	return out
}
