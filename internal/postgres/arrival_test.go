package postgres

import (
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/screen"
)

// arrivals is a set of deliveries whose order must not matter.
type arrivals struct {
	items []screen.Item
	// again is delivered after all others, as a read of the context brings it: a Patient, or an entry without one, that
	// came before anything made it of use was dropped.
	again []screen.Item
	want  string
}

// linking makes an item a Patient that is merged with others.
func linking(ids ...string) func(*screen.Item) {
	return func(i *screen.Item) { i.Links = ids }
}

// at gives the item a whole second as its time.
func at(second int) func(*screen.Item) {
	return func(i *screen.Item) { i.Resource.LastUpdated = time.Date(2026, 1, 1, 0, 0, second, 0, time.UTC) }
}

// stripped is a retraction that tells neither patient nor code.
func stripped(i *screen.Item) { i.Retracted, i.Evidence, i.Patient = true, false, "" }

func allArrivals() map[string]arrivals {
	placed := func(id, patient, v string, change ...func(*screen.Item)) screen.Item {
		return item("Procedure/"+id, patient, v, append([]func(*screen.Item){evidence}, change...)...)
	}
	patient := func(id, v string, links ...string) screen.Item {
		return item("Patient/"+id, id, v, linking(links...))
	}
	joined := []screen.Item{placed("pa", "a", "1"), placed("pb", "b", "1")}
	with := func(items []screen.Item, more ...screen.Item) []screen.Item {
		return append(slices.Clone(items), more...)
	}
	return map[string]arrivals{
		"the same thrice":                             {items: []screen.Item{placed("p", "a", "1"), placed("p", "a", "1"), placed("p", "a", "1")}, want: "a: Procedure/p v1"},
		"old versions late":                           {items: []screen.Item{placed("p", "a", "9"), placed("p", "a", "10"), placed("p", "a", "11"), placed("p", "a", "10")}, want: "a: Procedure/p v11"},
		"opaque versions and times":                   {items: []screen.Item{placed("p", "a", "c0ffee", at(1)), placed("p", "a", "aaaaaa", at(2)), placed("p", "a", "bbbbbb", at(3))}, want: "a: Procedure/p vbbbbbb"},
		"a retraction and a placement":                {items: []screen.Item{placed("p", "a", "1"), placed("p", "a", "2", retracted)}},
		"a bare retraction":                           {items: []screen.Item{placed("p", "a", "1"), placed("p", "a", "2", stripped)}},
		"a bare retraction of no version":             {items: []screen.Item{placed("p", "a", ""), placed("p", "a", "", stripped)}},
		"a deletion and a placement":                  {items: []screen.Item{placed("p", "a", "1"), item("Procedure/p", "", "2", deleted)}},
		"a deletion of no version":                    {items: []screen.Item{placed("p", "a", ""), item("Procedure/p", "", "", deleted)}},
		"a deletion taken back":                       {items: []screen.Item{placed("p", "a", "1"), item("Procedure/p", "", "2", deleted), placed("p", "a", "3")}, want: "a: Procedure/p v3"},
		"a retraction taken back":                     {items: []screen.Item{placed("p", "a", "1"), placed("p", "a", "2", stripped), placed("p", "a", "3"), placed("p", "a", "1")}, want: "a: Procedure/p v3"},
		"a retraction in the same second":             {items: []screen.Item{placed("p", "a", "x", at(1)), placed("p", "a", "y", at(1), retracted)}},
		"versions count where the second is the same": {items: []screen.Item{placed("p", "a", "1", at(1)), placed("p", "a", "2", at(1)), placed("p", "a", "3", at(1))}, want: "a: Procedure/p v3"},
		"moved to another patient":                    {items: []screen.Item{placed("p", "a", "1"), placed("p", "b", "2"), placed("q", "a", "1"), placed("r", "b", "1")}, want: "a: Procedure/q v1; b: Procedure/p v2, Procedure/r v1"},
		"a device told of late":                       {items: []screen.Item{item("Device/d", "", "1", evidence, holdable), item("DeviceUseStatement/u", "a", "1", naming("Device/d"))}, want: "a: Device/d v1, DeviceUseStatement/u v1"},
		"a device told of late, and its use before": {items: []screen.Item{item("Device/d", "", "1", evidence, holdable), item("DeviceUseStatement/u", "b", "1", naming("Device/d")), item("DeviceUseStatement/u", "a", "2", naming("Device/d")), item("Procedure/q", "a", "1", naming("Device/d"))},
			want: "a: Device/d v1, DeviceUseStatement/u v2, Procedure/q v1"},
		"a deletion of a device that is in use": {items: []screen.Item{item("Device/d", "", "1", evidence, holdable), item("Device/d", "", "2", deleted), placed("p", "a", "1", naming("Device/d"))}, want: "a: Procedure/p v1"},

		"replaced by another": {items: with(joined, patient("a", "1", "b"), patient("b", "1")), again: []screen.Item{patient("a", "1", "b"), patient("b", "1")},
			want: "a+b: Patient/a v1, Patient/b v1, Procedure/pa v1, Procedure/pb v1"},
		"replaces another": {items: with(joined, patient("b", "1", "a")), again: []screen.Item{patient("b", "1", "a")},
			want: "a+b: Patient/b v1, Procedure/pa v1, Procedure/pb v1"},
		"both say so": {items: with(joined, patient("a", "1", "b"), patient("b", "1", "a")), again: []screen.Item{patient("a", "1", "b"), patient("b", "1", "a")},
			want: "a+b: Patient/a v1, Patient/b v1, Procedure/pa v1, Procedure/pb v1"},
		"one of whom no filter is told": {items: []screen.Item{placed("pa", "a", "1"), patient("a", "1", "c"), item("Condition/c", "c", "1")},
			again: []screen.Item{patient("a", "1", "c"), item("Condition/c", "c", "1")}, want: "a+c: Condition/c v1, Patient/a v1, Procedure/pa v1"},
		"replaces one of whom no filter is told": {items: []screen.Item{placed("pa", "a", "1"), patient("c", "1", "a"), item("Condition/c", "c", "1")},
			again: []screen.Item{patient("c", "1", "a"), item("Condition/c", "c", "1")}, want: "a+c: Condition/c v1, Patient/c v1, Procedure/pa v1"},
		"a chain": {items: []screen.Item{placed("pa", "a", "1"), patient("a", "1", "b"), patient("b", "1", "c"), placed("pc", "c", "1")},
			again: []screen.Item{patient("a", "1", "b"), patient("b", "1", "c")}, want: "a+b+c: Patient/a v1, Patient/b v1, Procedure/pa v1, Procedure/pc v1"},
		"a loop of three": {items: []screen.Item{placed("pc", "c", "1"), patient("a", "1", "b"), patient("b", "1", "c"), patient("c", "1", "a")},
			again: []screen.Item{patient("c", "1", "a"), patient("a", "1", "b"), patient("b", "1", "c")}, want: "a+b+c: Patient/a v1, Patient/b v1, Patient/c v1, Procedure/pc v1"},
		"a merge taken back": {items: with(joined, patient("a", "1", "b"), patient("a", "2")), again: []screen.Item{patient("a", "2")},
			want: "a: Patient/a v2, Procedure/pa v1; b: Procedure/pb v1"},
		"a merge taken back and made again": {items: with(joined[:1], patient("a", "1", "b"), patient("a", "2"), patient("a", "3", "b")), again: with(joined[1:], patient("a", "3", "b")),
			want: "a+b: Patient/a v3, Procedure/pa v1, Procedure/pb v1"},
		"merged with another one instead": {items: with(joined[:1], patient("a", "1", "b"), patient("a", "2", "c"), placed("pc", "c", "1")), again: with(joined[1:], patient("a", "2", "c")),
			want: "a+c: Patient/a v2, Procedure/pa v1, Procedure/pc v1; b: Procedure/pb v1"},
		"a chain cut in its middle": {items: []screen.Item{placed("pa", "a", "1"), patient("a", "1", "b"), patient("b", "1", "c"), patient("b", "2")},
			again: []screen.Item{placed("pc", "c", "1"), patient("a", "1", "b"), patient("b", "2")}, want: "a+b: Patient/a v1, Patient/b v2, Procedure/pa v1; c: Procedure/pc v1"},
		"merged away and then deleted": {items: with(joined, patient("a", "1", "b"), item("Patient/a", "", "2", deleted)),
			// Nothing remembers the deletion of a Patient who was not here yet, so it is told again.
			again: []screen.Item{patient("b", "1", "a"), item("Patient/a", "", "2", deleted)},
			want:  "a+b: Patient/b v1, Procedure/pa v1, Procedure/pb v1"},
		"an entry that goes over to the other": {items: []screen.Item{placed("p", "a", "1"), placed("p", "b", "2"), patient("a", "1", "b")}, again: []screen.Item{patient("a", "1", "b")},
			want: "a+b: Patient/a v1, Procedure/p v2"},
	}
}

// TestArrivalOrders delivers each set in every order, each order in a feed of its own: where versions decide, the end is the same.
func TestArrivalOrders(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	number := 0
	for name, c := range allArrivals() {
		for items := range orders(c.items) {
			number++
			feed := fmt.Sprintf("f%d", number)
			for _, i := range append(items, c.again...) {
				i.Feed = feed
				b.now = b.now.Add(time.Minute)
				if _, err := b.Accept(t.Context(), []screen.Item{i}, b.now); err != nil {
					t.Fatalf("%s: %v", name, err)
				}
			}
			if diff := cmp.Diff(c.want, people(b, feed)); diff != "" {
				t.Errorf("%s, arriving as %s (-want +got):\n%s", name, arriving(items), diff)
			}
			for again := range 2 {
				all := append(slices.Clone(items), c.again...)
				for n := range all {
					all[n].Feed = feed
				}
				b.now = b.now.Add(time.Minute)
				if _, err := b.Accept(t.Context(), all[again:], b.now); err != nil {
					t.Fatalf("%s: %v", name, err)
				}
			}
			if diff := cmp.Diff(c.want, people(b, feed)); diff != "" && !undecidedSet(c.items) {
				t.Errorf("%s, arriving once more in one call after %s (-want +got):\n%s", name, arriving(items), diff)
			}
		}
	}
	b.wantJobPerVersionOfAllHere()
}

// undecidedSet reports items without versions and times: sent again after a deletion they are what came last, and stay out.
func undecidedSet(items []screen.Item) bool {
	return slices.ContainsFunc(items, func(i screen.Item) bool { return i.Resource.VersionID == "" && i.Resource.LastUpdated.IsZero() })
}

func arriving(items []screen.Item) string {
	var parts []string
	for _, i := range items {
		mark := ""
		if gone(i) {
			mark = "-"
		}
		parts = append(parts, mark+i.Resource.Ref()+" v"+i.Resource.VersionID)
	}
	return strings.Join(parts, ", ")
}

// orders gives every order of the items.
func orders(items []screen.Item) iter.Seq[[]screen.Item] {
	return func(yield func([]screen.Item) bool) {
		var walk func(done, left []screen.Item) bool
		walk = func(done, left []screen.Item) bool {
			if len(left) == 0 {
				return yield(slices.Clone(done))
			}
			for n := range left {
				rest := append(slices.Clone(left[:n]), left[n+1:]...)
				if !walk(append(slices.Clone(done), left[n]), rest) {
					return false
				}
			}
			return true
		}
		walk(nil, items)
	}
}

// people tells who a feed's persons are and what their charts hold that was not taken back; whoever has nothing is left out.
func people(b *bench, feed string) string {
	b.t.Helper()
	var parts []string
	for _, person := range query[string](b, `SELECT DISTINCT person_id::text FROM person_alias WHERE feed = $1`, feed) {
		names := query[string](b, `SELECT patient_id FROM person_alias WHERE person_id = $1 ORDER BY patient_id`, person)
		gone := query[string](b, `SELECT type || '/' || id FROM resource WHERE feed = $1 AND current AND retracted`, feed)
		r, err := b.Record(b.t.Context(), person)
		if err != nil {
			b.t.Fatal(err)
		}
		var held []string
		for _, s := range r.Resources {
			if !slices.Contains(gone, s.Resource.Ref()) {
				held = append(held, s.Resource.Ref()+" v"+s.Resource.VersionID)
			}
		}
		if len(held) > 0 {
			parts = append(parts, strings.Join(names, "+")+": "+strings.Join(held, ", "))
		}
	}
	slices.Sort(parts)
	return strings.Join(parts, "; ")
}
