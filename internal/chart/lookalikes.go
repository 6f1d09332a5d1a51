package chart

import (
	"slices"
	"strconv"

	"dwellwatch/fhir"
)

// LookalikeText answers a code that would have been one of a filter with its system beside it.
const LookalikeText = "the code looks like a listed one but its system is missing or unknown, so it was not taken for it"

// Lookalike reports whether a code is one that tells of a filter in some system, while the system given is missing or none
// that any set knows.
func (s Sets) Lookalike(system, code string) bool {
	if s.systems[canonicalSystem(system)] {
		return false
	}
	for known := range s.systems {
		if slices.ContainsFunc(s.names(known, code), func(n string) bool { return slices.Contains(evidenceSets(), n) }) {
			return true
		}
	}
	return false
}

// Lookalikes lists the systems at fault of the codes in a resource's code that would tell of a filter.
func (s Sets) Lookalikes(resourceType string, code fhir.Value) []string {
	var paths []string
	for n, c := range code.Get("coding").List() {
		if s.Lookalike(c.Get("system").String(), c.Get("code").String()) {
			paths = append(paths, resourceType+".code.coding["+strconv.Itoa(n)+"].system")
		}
	}
	return paths
}

// lookalikes names such codes of a procedure that says nothing else of a filter.
func (r *reader) lookalikes(n *node) {
	for _, path := range r.sets.Lookalikes(n.Type, n.get("code")) {
		r.out.Unread = append(r.out.Unread, Unread{n.ref(), path, LookalikeText})
	}
}
