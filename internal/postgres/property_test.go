package postgres

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/screen"
)

// TestAnyOrderEndsTheSame: whatever order a set of versioned deliveries comes in, and however it is cut into calls, what the
// charts show is the same: the newest version of everything, with whom it names.
func TestAnyOrderEndsTheSame(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	round := 0
	rapid.Check(t, func(rt *rapid.T) {
		round++
		ends := map[string]string{}
		set := deliveries(rt)
		for _, world := range []string{"x", "y"} {
			// Each order plays in a feed of its own, which shares nothing with the other.
			feed := fmt.Sprintf("%s%d", world, round)
			items := slices.Clone(set)
			if world == "y" {
				order := make([]int, len(set))
				for n := range order {
					order[n] = n
				}
				for to, from := range rapid.Permutation(order).Draw(rt, "order") {
					items[to] = set[from]
				}
			}
			for n := range items {
				items[n].Feed = feed
			}
			play(b, rt, feed, items)
			ends[world] = shown(b, feed)
		}
		if diff := cmp.Diff(ends["x"], ends["y"]); diff != "" {
			rt.Fatalf("shown after one order and after another (-one +another):\n%s", diff)
		}
	})
	b.wantJobPerVersion()
}

// deliveries draws versions of a few resources; half of the resources have numeric version ids, the others times only.
func deliveries(rt *rapid.T) []screen.Item {
	var set []screen.Item
	for n, ref := range []string{"Procedure/p", "Device/d", "DeviceUseStatement/u", "Observation/o"} {
		byTime := rapid.Bool().Draw(rt, ref+" by time")
		for v := range rapid.IntRange(0, 5).Draw(rt, ref+" versions") {
			id, when := fmt.Sprint(v+8), updated(0) // 8, 9, 10: order of numbers, not of letters
			if byTime {
				id, when = fmt.Sprintf("opaque-%d", 9-v), updated(v+1)
			}
			patient := rapid.SampledFrom([]string{"a", "b"}).Draw(rt, "patient")
			kind := []func(*screen.Item){evidence, evidence, retracted, deleted}[rapid.IntRange(0, 3).Draw(rt, "kind")]
			i := item(ref, patient, id, when, kind)
			if n == 3 { // an Observation leaves no hash, so a delete that comes first cannot be remembered
				i = item(ref, patient, id, when)
			}
			if i.Deleted {
				i.Patient = ""
			}
			set = append(set, i)
		}
	}
	// Uses of a device that tells nobody's name, by patients of whom nothing else is told.
	for v := range rapid.IntRange(0, 3).Draw(rt, "versions of the shared device") {
		set = append(set, item("Device/shared", "", fmt.Sprint(v+8), evidence, holdable))
	}
	for _, ref := range []string{"DeviceUseStatement/w", "Procedure/w"} {
		for v := range rapid.IntRange(0, 3).Draw(rt, ref+" versions") {
			patient := rapid.SampledFrom([]string{"c", "d"}).Draw(rt, "patient of "+ref)
			kind := []func(*screen.Item){naming("Device/shared"), naming("Device/shared"), retracted, deleted}[rapid.IntRange(0, 3).Draw(rt, "kind of "+ref)]
			i := item(ref, patient, fmt.Sprint(v+8), kind)
			if i.Deleted {
				i.Patient = ""
			}
			set = append(set, i)
		}
	}
	return set
}

// play follows both patients and then delivers the items, some of them twice, in calls of several sizes.
func play(b *bench, rt *rapid.T, feed string, items []screen.Item) {
	var first []screen.Item
	for _, patient := range []string{"a", "b"} {
		first = append(first, item("Procedure/follow-"+patient, patient, "1", evidence, func(i *screen.Item) { i.Feed = feed }))
	}
	accept := func(items []screen.Item) {
		if _, err := b.Accept(b.t.Context(), items, b.now); err != nil {
			rt.Fatalf("Accept: %v", err)
		}
	}
	accept(first)
	for rest := items; len(rest) > 0; {
		n := rapid.IntRange(1, len(rest)).Draw(rt, "call")
		accept(rest[:n])
		if rapid.Bool().Draw(rt, "again") {
			accept(rest[:n])
		}
		rest = rest[n:]
	}
}

// shown lists what the charts of a feed hold and whether it is retracted, without what was deleted or retracted: whether a
// mark of that was kept depends on whether the resource was here before.
func shown(b *bench, feed string) string {
	lines := map[string]bool{}
	for _, patient := range []string{"a", "b", "c", "d"} {
		r, err := b.Record(b.t.Context(), personOf(alias{feed, patient}))
		if errors.Is(err, fault.NotFound) && patient > "b" {
			continue
		}
		if err != nil {
			b.t.Fatal(err)
		}
		for _, s := range r.Resources {
			lines[fmt.Sprintf("%s: %s v%s", patient, s.Resource.Ref(), s.Resource.VersionID)] = true
		}
	}
	for _, ref := range query[string](b, `SELECT type || '/' || id || ' v' || version_id FROM resource WHERE feed = $1 AND current AND retracted`, feed) {
		for _, patient := range []string{"a", "b", "c", "d"} {
			delete(lines, patient+": "+ref)
		}
	}
	text := ""
	for _, line := range slices.Sorted(maps.Keys(lines)) {
		text += line + "\n"
	}
	return text
}
