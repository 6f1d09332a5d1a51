package rules

import (
	"slices"

	"dwellwatch/internal/filter"
)

// reassessed gives the indication that a clinician has stated, where the latest word on this filter still holds: nothing
// that can change the answer has begun since, and a word to wait has not come to its day. Otherwise the record decides.
func (s *Situation) reassessed(i Indication) (Indication, bool) {
	latest, ok := s.lastReassessment()
	if !ok {
		return i, false
	}
	if newer := s.eventsAfter(latest.When); len(newer) > 0 {
		return i, false
	}
	i.Evidence = latest.Evidence
	if latest.NoLongerNeeded {
		i.Status, i.Text = Resolved, "A clinician has re-assessed the filter ("+latest.When.String()+"): it is no longer needed."
		return i, true
	}
	until := latest.When.Latest.Add(s.Policy.LookAgainDays)
	if latest.Until.Bounded() {
		until = latest.Until.Earliest
	}
	if s.Clock.Reached(until) {
		return i, false
	}
	i.Status, i.LookAgain = StillIndicated, until
	i.Text = "A clinician has re-assessed the filter (" + latest.When.String() + "): it is still needed; look again on " + until.String() + "."
	return i, true
}

// lastReassessment gives the latest re-assessment of this filter that has happened.
func (s *Situation) lastReassessment() (Reassessment, bool) {
	var latest Reassessment
	found := false
	for _, a := range s.Facts.Reassessments {
		if !a.When.Bounded() || !s.Clock.Reached(a.When.Earliest) || !s.ofThis(a.Of, a.When) {
			continue
		}
		if !found || a.When.Latest > latest.When.Latest || a.When.Latest == latest.When.Latest && first(a.Evidence) > first(latest.Evidence) {
			latest, found = a, true
		}
	}
	return latest, found
}

// ofThis reports whether an entry is about this filter: it names one of its own entries, or names none and came when this
// filter can have been in.
func (s *Situation) ofThis(named []filter.Ref, when filter.Span) bool {
	if len(named) == 0 {
		return !s.Filter.Placed.Known() || when.Latest >= s.Filter.Placed.Earliest
	}
	return slices.ContainsFunc(named, func(ref filter.Ref) bool {
		return slices.Contains(s.Filter.Own, ref) || slices.ContainsFunc(s.Filter.Devices, func(v filter.Device) bool { return v.Ref == ref })
	})
}

// eventsAfter lists the entries of a thromboembolism or bleed that began, as far as is known, after a day.
func (s *Situation) eventsAfter(day filter.Span) []filter.Ref {
	var out []filter.Ref
	for _, d := range s.Facts.Diagnoses {
		if !slices.Contains([]Class{PE, DVT, CavalThrombosis, Bleed, HIT}, d.Class) || !d.Acute || d.Later || !s.Clock.Reached(d.Day().Earliest) {
			continue
		}
		if d.Day().Known() && d.Day().Latest > day.Latest {
			out = append(out, d.Evidence...)
		}
	}
	return out
}
