package filter

import (
	"maps"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestKeysThatWereMerged: two keys that met in one filter go back, when it is told apart, each to what it stood on by itself; while it is
// one filter it keeps the key that won, also where only what the other brought along is left.
func TestKeysThatWereMerged(t *testing.T) {
	t.Parallel()
	day := func(d int) Span { return Span{NewDay(2025, 9, d), NewDay(2025, 9, d)} }
	one := func(placed Span, refs ...Ref) Filter {
		return Filter{Placed: placed, PlacementRefs: refs, Own: refs, Evidence: refs}
	}
	old := KnownKey{Key: "old", Evidence: []Ref{"Procedure/a", "Procedure/b"}}
	young := KnownKey{Key: "young", Evidence: []Ref{"Procedure/b"}, Into: "old"}
	for name, c := range map[string]struct {
		filters []Filter
		want    map[string]string // first placement → key
		merged  map[string]string
	}{
		"one filter":                  {[]Filter{one(day(1), "Procedure/a", "Procedure/b")}, map[string]string{"Procedure/a": "old"}, map[string]string{"young": "old"}},
		"two again":                   {[]Filter{one(day(1), "Procedure/a"), one(day(20), "Procedure/b")}, map[string]string{"Procedure/a": "old", "Procedure/b": "young"}, nil},
		"two again, the other first":  {[]Filter{one(day(1), "Procedure/b"), one(day(20), "Procedure/a")}, map[string]string{"Procedure/a": "old", "Procedure/b": "young"}, nil},
		"what the young brought left": {[]Filter{one(day(1), "Procedure/b")}, map[string]string{"Procedure/b": "old"}, map[string]string{"young": "old"}},
		"what the old had left":       {[]Filter{one(day(1), "Procedure/a")}, map[string]string{"Procedure/a": "old"}, nil},
		"and a third":                 {[]Filter{one(day(1), "Procedure/a", "Procedure/b"), one(day(25), "Procedure/c")}, map[string]string{"Procedure/a": "old", "Procedure/c": "new Procedure/c"}, map[string]string{"young": "old"}},
	} {
		merged := assignKeys(c.filters, []KnownKey{old, young}, func(first Ref) string { return "new " + first })
		got := map[string]string{}
		for _, f := range c.filters {
			got[f.PlacementRefs[0]] = f.Key
		}
		if !maps.Equal(c.merged, merged) {
			t.Errorf("%s: merged %v, want %v", name, merged, c.merged)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}
