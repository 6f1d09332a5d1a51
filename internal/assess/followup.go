package assess

import (
	"cmp"
	"slices"
	"strings"

	"dwellwatch/internal/chart"
	"dwellwatch/internal/filter"
)

// followUp tells what has happened by asOf, in order of time.
func followUp(r chart.Reading, asOf filter.Day) FollowUp {
	f := FollowUp{Contacts: []Contact{}, NotAttempted: []NotAttempted{}}
	if r.Person.Known {
		f.Reachable = &r.Person.Reachable
	}
	for _, s := range r.Facts.Stays {
		if at := rangeOf(s.When); s.When.Earliest <= asOf && (f.InHospital == nil || after(at, *f.InHospital)) {
			f.InHospital = &at
		}
	}
	for _, c := range r.Facts.Contacts {
		if c.When.Earliest <= asOf {
			f.Contacts = append(f.Contacts, Contact{rangeOf(c.When), c.Reached, c.How, c.Why, list(c.Evidence)})
		}
	}
	for _, n := range r.Facts.NotAttempted {
		if n.When.Earliest <= asOf {
			f.NotAttempted = append(f.NotAttempted, NotAttempted{rangeOf(n.When), n.Why, list(n.Evidence)})
		}
	}
	slices.SortStableFunc(f.Contacts, func(a, b Contact) int { return compareRanges(a.When, b.When) })
	slices.SortStableFunc(f.NotAttempted, func(a, b NotAttempted) int { return compareRanges(a.When, b.When) })
	return f
}

// rangeOf writes days as a pair; a side that is not known is null.
func rangeOf(s filter.Span) Range {
	if at := span(s); at != nil {
		return *at
	}
	return Range{}
}

func after(a, b Range) bool { return compareRanges(a, b) > 0 }

func compareRanges(a, b Range) int {
	side := func(s *string) string {
		if s == nil {
			return ""
		}
		return *s
	}
	return cmp.Or(strings.Compare(side(a.Earliest), side(b.Earliest)), strings.Compare(side(a.Latest), side(b.Latest)))
}
