package rules

import (
	"slices"

	"dwellwatch/internal/filter"
)

// reasons lists why this filter was placed, as its placement entries say.
func (s *Situation) reasons() []Reason {
	var out []Reason
	for _, r := range s.Facts.Reasons {
		if slices.Contains(s.Filter.Evidence, r.Of) {
			out = append(out, r)
		}
	}
	return out
}

// withReasons adds to the events on record those that only the placement tells of, as its reason. Such an event has no day of its own:
// it began on the day of placement or before it, in the days in which an event is the index. An entry of the same kind of event that the
// placement refers to, or that is the index by its own day, tells more and takes its place; one that the placement refers to and
// that has no day at all has that of the reason.
func (s *Situation) withReasons(events []Diagnosis) []Diagnosis {
	onset := filter.Span{Earliest: s.Filter.Placed.Earliest.Add(-s.Policy.IndexVTEBeforeDays), Latest: s.Filter.Placed.Latest}
	for i := range events {
		if d := &events[i]; s.referredTo(*d) && !d.Day().Known() {
			d.Onset, d.Assumed = onset, true
		}
	}
	for _, r := range s.why {
		d := Diagnosis{Class: r.VTE, Label: r.Label, Onset: onset, Recorded: filter.Unknown(), Ended: filter.Unknown(), Acute: true, Assumed: true, Evidence: r.Evidence}
		told := func(o Diagnosis) bool { return sameKind(o, d) && (s.isReason(o) || s.near(o)) }
		if r.VTE != "" && !slices.ContainsFunc(events, told) {
			events = append(events, d)
		}
	}
	return events
}

// isReason reports whether the placement itself says that it was for an event.
func (s *Situation) isReason(d Diagnosis) bool { return d.Assumed || s.referredTo(d) }

// referredTo reports whether the placement refers to the entry of an event as its reason.
func (s *Situation) referredTo(d Diagnosis) bool {
	return slices.ContainsFunc(s.why, func(r Reason) bool { return r.Condition != "" && r.Condition == first(d.Evidence) })
}

// sameKind reports two embolisms of the lung, or two thromboses of veins.
func sameKind(a, b Diagnosis) bool { return (a.Class == PE) == (b.Class == PE) }

// assumed says, of events one of which has no day of its own, which day is taken; "" where each has one.
func assumed(events []Diagnosis) string {
	if !slices.ContainsFunc(events, func(d Diagnosis) bool { return d.Assumed }) {
		return ""
	}
	return " Of the event that the placement names as its reason no entry gives the day: it counts as acute for as long as it may be."
}
