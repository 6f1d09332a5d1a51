package rules

import (
	"fmt"
	"slices"
	"strconv"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Window says where the dwell lies against the retrieval window.
type Window string

const (
	WindowBefore       Window = "before"
	WindowIn           Window = "in"
	WindowPast         Window = "past"
	WindowUndetermined Window = "undetermined"
)

const windowSource = "FDA safety communication of 6 May 2014, and the decision analysis behind it (Morales et al. 2013): days 29 to 54 after placement"

// window places every possible dwell day against the window; possible days on two sides of a limit leave it undetermined.
func (s *Situation) window() Window {
	placed := s.Filter.Placed
	if !placed.Known() {
		return WindowUndetermined
	}
	first, last := s.Policy.WindowFirst, s.Policy.WindowLast
	// longest: the dwell if placed on the earliest day; shortest: if placed on the latest.
	longest := func(n int) bool { return s.dwellReaches(placed.Earliest, s.Filter.Removed.Latest, n) }
	shortest := func(n int) bool { return s.dwellReaches(placed.Latest, s.Filter.Removed.Earliest, n) }
	switch {
	case placed.Earliest > filter.MinDay && !longest(first):
		return WindowBefore
	case shortest(last + 1):
		return WindowPast
	case shortest(first) && placed.Earliest > filter.MinDay && !longest(last+1):
		return WindowIn
	}
	return WindowUndetermined
}

// dwellReaches reports whether n days of dwell are reached from placement to removal or asOf, whichever comes first. A
// removal without a first possible day may have come at once; one without a last, or with one still to come, came by asOf.
func (s *Situation) dwellReaches(placed, removed filter.Day, n int) bool {
	switch {
	case placed >= filter.MaxDay:
		return false
	case !s.out() || removed >= filter.MaxDay || !s.Clock.Reached(removed):
		return s.Clock.AtLeast(placed, n)
	case removed <= filter.MinDay:
		return n <= 0
	}
	return placed <= filter.MinDay || removed >= placed.Add(n)
}

// out reports whether dwell has stopped.
func (s *Situation) out() bool {
	return s.Filter.Standing == filter.StandingRemoved || s.Filter.Standing == filter.StandingPartly
}

// gone reports whether nothing of the filter is left. What can still harm, or is still to be done, is told while a part is in.
func (s *Situation) gone() bool { return s.Filter.Standing == filter.StandingRemoved }

// DwellDays gives the shortest and longest dwell in whole days; ok flags are false where a side is not known.
func (s *Situation) DwellDays() (shortest, longest int, lowKnown, highKnown bool) {
	placed, asOf := s.Filter.Placed, s.Clock.AsOf()
	from, to := asOf, asOf
	if s.out() {
		from, to = min(asOf, s.Filter.Removed.Earliest), min(asOf, s.Filter.Removed.Latest)
	}
	if placed.Latest < filter.MaxDay {
		shortest, lowKnown = max(0, int(from-placed.Latest)), true
	}
	if placed.Earliest > filter.MinDay {
		longest, highKnown = max(0, int(to-placed.Earliest)), true
	}
	return shortest, longest, lowKnown, highKnown
}

func windowRules() []Rule {
	at := func(w Window, text string) func(*Situation) []Finding {
		return func(s *Situation) []Finding {
			if s.Window != w || !s.Filter.Placed.Known() {
				return nil
			}
			if s.outline {
				return s.find("")
			}
			note := text
			const context = " the window's figure comes from patients without pulmonary embolism and is context here, not the reason."
			switch {
			case s.Indication.IndexPE:
				note += " It was placed for a pulmonary embolism;" + context
			case !s.Indication.IndexKnown:
				note += " The event it was placed for is not known;" + context
			}
			of := s.Indication.indexEvidence
			if slices.Contains(s.tellers, first(of)) {
				of = nil // what kind of event it was the placement says itself
			}
			return s.find("Placed "+s.Filter.Placed.String()+"; window day "+strconv.Itoa(s.Policy.WindowLast)+" is "+s.windowEnd().String()+". "+note, of)
		}
	}
	return []Rule{
		{"window-before", "Dwell is before the retrieval window", windowSource, policy.SecondHand, at(WindowBefore, "The window has not begun.")},
		{"window-in", "Dwell is in the retrieval window", windowSource, policy.SecondHand, at(WindowIn, "The dwell lies in the window.")},
		{"window-past", "Dwell is past the retrieval window", windowSource, policy.SecondHand, at(WindowPast, "The dwell lies past the window; a long dwell alone never rules a removal out.")},
		{"window-undetermined", "The days known are not exact enough for the window", windowSource, policy.SecondHand, at(WindowUndetermined, "The possible days lie on two sides of a limit.")},
		{"labelled-retrieval-days", "The label of the model gives a time for retrieval", "the site's device catalogue, from the label of the model", policy.Seen, func(s *Situation) []Finding {
			m := s.Filter.Model
			if m.RetrievalDays == 0 || s.out() || len(s.Dead) > 0 || !s.Filter.Placed.Bounded() {
				return nil
			}
			first, last := s.Filter.Placed.Earliest.Add(m.RetrievalDays), s.Filter.Placed.Latest.Add(m.RetrievalDays)
			when := "The last of these days is " + last.String() + "; a later day does not speak against a retrieval."
			if first != last {
				when = "The last of these days lies between " + first.String() + " and " + last.String() + "; a later day does not speak against a retrieval."
			}
			return s.find(fmt.Sprintf("The label of %s speaks of retrieval within %d days of placement. %s", m.Name, m.RetrievalDays, when))
		}},
	}
}

// windowEnd gives the span of days on which the window ends.
func (s *Situation) windowEnd() filter.Span {
	p := s.Filter.Placed
	return filter.Span{Earliest: p.Earliest.Add(s.Policy.WindowLast), Latest: p.Latest.Add(s.Policy.WindowLast)}
}
