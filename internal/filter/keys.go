package filter

import (
	"cmp"
	"slices"
	"strings"
)

// contentOrder orders filters before they have keys.
func contentOrder(f Filter) string {
	return f.Placed.String() + " " + strings.Join(f.PlacementRefs, " ") + " " + strings.Join(f.Evidence, " ")
}

// byDay orders filters by placement; it is for a stable sort of filters in content order, so keys never decide.
func byDay(a, b Filter) int {
	return cmp.Or(cmp.Compare(a.Placed.Earliest, b.Placed.Earliest), cmp.Compare(a.Placed.Latest, b.Placed.Latest))
}

// assignKeys gives every filter its key. A filter keeps the first known key that stood on its evidence; a known key whose
// filter fell apart stays with the earliest placement; keys that met in one filter are reported as merged into the kept one.
// Where keys were merged and their filters are told apart again, each goes back to the entries that it stood on by itself.
// Filters come in content order and keys in an order of their own, so the answer does not depend on arrival.
func assignKeys(filters []Filter, known []KnownKey, mint func(Ref) string) map[string]string {
	merged := map[string]string{}
	taken := map[string]bool{}
	for _, k := range known {
		taken[k.Key] = true
		at := holder(filters, k.Apart(known))
		if at < 0 {
			at = holder(filters, k.Evidence)
		}
		switch {
		case at < 0:
		case filters[at].Key == "":
			filters[at].Key = k.Key
		default:
			merged[k.Key] = filters[at].Key
		}
	}
	for i := range filters {
		f := &filters[i]
		if f.Key != "" {
			continue
		}
		seed := first(f.PlacementRefs)
		if seed == "" {
			seed = first(f.Evidence)
		}
		key := mint(seed)
		// A split leaves the first evidence with another filter's key; the next try is as deterministic as the first.
		for taken[key] {
			seed += "+"
			key = mint(seed)
		}
		taken[key], f.Key = true, key
	}
	if len(merged) == 0 {
		return nil
	}
	return merged
}

// holder gives the filter that a key with this evidence belongs to, -1 where none does. What is one filter's own decides;
// then what several share, for one without a key; then anything else that a filter was told by. Among equals the
// earliest placement wins.
func holder(filters []Filter, evidence []Ref) int {
	owners := func(ref Ref) int {
		n := 0
		for _, f := range filters {
			if slices.Contains(f.Own, ref) {
				n++
			}
		}
		return n
	}
	for _, holds := range []func(f Filter, ref Ref) bool{
		func(f Filter, ref Ref) bool { return slices.Contains(f.Own, ref) && owners(ref) == 1 },
		func(f Filter, ref Ref) bool { return slices.Contains(f.Own, ref) && f.Key == "" },
		func(f Filter, ref Ref) bool { return slices.Contains(f.Own, ref) },
		func(f Filter, ref Ref) bool { return slices.Contains(f.Evidence, ref) },
	} {
		best := -1
		for i, f := range filters {
			if slices.ContainsFunc(evidence, func(ref Ref) bool { return holds(f, ref) }) && (best < 0 || earlier(f, filters[best])) {
				best = i
			}
		}
		if best >= 0 {
			return best
		}
	}
	return -1
}

// earlier orders by placement day with the unknown day last.
func earlier(a, b Filter) bool {
	day := func(f Filter) Day {
		if f.Placed.Earliest <= MinDay {
			return f.Placed.Latest
		}
		return f.Placed.Earliest
	}
	return day(a) < day(b)
}
