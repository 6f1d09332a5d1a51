package assess

import (
	"cmp"
	"slices"
	"strings"

	"dwellwatch/internal/chart"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// followUp tells what has happened by asOf, in order of time.
func followUp(r chart.Reading, asOf filter.Day) FollowUp {
	f := FollowUp{Contacts: []Contact{}, NotAttempted: []NotAttempted{}}
	if r.Person.Known {
		reachable := r.Person.Reachable
		f.Reachable = &reachable
	}
	for _, s := range r.Facts.Stays {
		if at := rangeOf(s.When); s.When.Earliest <= asOf && (f.InHospital == nil || after(at, *f.InHospital)) {
			f.InHospital = &at
		}
	}
	contacts := slices.Clone(r.Facts.Contacts)
	slices.SortStableFunc(contacts, func(a, b rules.Contact) int {
		return cmp.Or(cmp.Compare(a.When.Latest, b.When.Latest), cmp.Compare(a.At, b.At))
	})
	for _, c := range contacts {
		if c.When.Earliest <= asOf {
			f.Contacts = append(f.Contacts, Contact{rangeOf(c.When), c.Reached, c.How, c.Why, sorted(c.Evidence)})
		}
	}
	for _, n := range r.Facts.NotAttempted {
		if n.When.Earliest <= asOf {
			f.NotAttempted = append(f.NotAttempted, NotAttempted{rangeOf(n.When), n.Why, sorted(n.Evidence)})
		}
	}
	slices.SortStableFunc(f.NotAttempted, func(a, b NotAttempted) int { return compareRanges(a.When, b.When) })
	return f
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
