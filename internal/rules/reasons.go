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
// placement refers to, or that is the index by its own day, tells more and takes its place; where there is none, so does
// the latest that was still acute at the placement. One that the placement refers to and that has no day at all has that of the reason.
func (s *Situation) withReasons(events []Diagnosis) []Diagnosis {
	onset := filter.Span{Earliest: s.Filter.Placed.Earliest.Add(-s.Policy.IndexVTEBeforeDays), Latest: s.Filter.Placed.Latest}
	for i := range events {
		if d := &events[i]; s.referredTo(*d) && !d.Day().Known() {
			d.Onset, d.Assumed = onset, true
		}
	}
	var named []Diagnosis
	for _, r := range s.why {
		d := Diagnosis{Class: r.VTE, Label: r.Label, Onset: onset, Recorded: filter.Unknown(), Ended: filter.Unknown(), Acute: true, Assumed: true, Evidence: r.Evidence}
		if r.VTE == "" || slices.ContainsFunc(named, func(o Diagnosis) bool { return sameKind(o, d) }) {
			continue
		}
		told := false
		for _, o := range events {
			if sameKind(o, d) && (s.referredTo(o) || s.near(o)) {
				s.notesTeller(o)
				told = true
			}
		}
		if told {
			continue
		}
		if o, ok := s.acuteBefore(events, d); ok {
			s.notesTeller(o)
		} else {
			named = append(named, d)
		}
	}
	return append(events, named...)
}

// notesTeller notes that an entry tells of what the placement names.
func (s *Situation) notesTeller(d Diagnosis) {
	if !slices.Contains(s.tellers, first(d.Evidence)) {
		s.tellers = append(s.tellers, first(d.Evidence))
	}
}

// acuteBefore gives the latest event of a kind before the placement that was still acute then: a filter may come weeks after its reason.
func (s *Situation) acuteBefore(events []Diagnosis, kind Diagnosis) (Diagnosis, bool) {
	var best Diagnosis
	found := false
	for _, o := range events {
		day := o.Day()
		if sameKind(o, kind) && day.Bounded() && day.Latest < s.Filter.Placed.Earliest && day.Latest.AddMonths(s.Policy.AcuteVTEMonths) > s.Filter.Placed.Latest && (!found || later(o, best)) {
			best, found = o, true
		}
	}
	return best, found
}

// isReason reports whether the placement itself says that it was for an event.
func (s *Situation) isReason(d Diagnosis) bool {
	return d.Assumed || s.referredTo(d) || slices.Contains(s.tellers, first(d.Evidence))
}

// referredTo reports whether the placement refers to the entry of an event as its reason.
func (s *Situation) referredTo(d Diagnosis) bool {
	return slices.ContainsFunc(s.why, func(r Reason) bool { return r.Condition != "" && r.Condition == first(d.Evidence) })
}

// ofPlacement reports an event that no entry but the placement tells of.
func (s *Situation) ofPlacement(d Diagnosis) bool {
	return d.Assumed && slices.Contains(s.Filter.Evidence, first(d.Evidence))
}

// tellsMore reports which of two events that the placement names is told of it: the one that began later. Where one of the days is not
// its own nobody knows that, and an embolism of the lung goes first, then what has a day.
func tellsMore(a, b Diagnosis) bool {
	switch {
	case !a.Assumed && !b.Assumed:
		return later(a, b)
	case !sameKind(a, b):
		return a.Class == PE
	}
	return b.Assumed && (!a.Assumed || later(a, b))
}

// sameKind reports two embolisms of the lung, or two thromboses of veins.
func sameKind(a, b Diagnosis) bool { return (a.Class == PE) == (b.Class == PE) }

// assumed says, of acute events one of which has no day of its own, how that counts; "" where each has one.
func assumed(acute []Diagnosis) string {
	own, none := false, false
	for _, d := range acute {
		own, none = own || !d.Assumed, none || d.Assumed
	}
	switch {
	case own && none:
		return " Beside an event of a known day, that which the placement names as its reason counts as acute for as long as it may be: no entry gives its day."
	case none:
		return " It is the event that the placement names as its reason; no entry gives its day, and it counts as acute for as long as it may be."
	}
	return ""
}

// acuteEvidence is what a rule stands on that asks only whether an event is acute: the placement, where that tells of one.
func (s *Situation) acuteEvidence() []filter.Ref {
	acute := s.acuteVTEs()
	if at := slices.IndexFunc(acute, s.ofPlacement); at >= 0 {
		return acute[at].Evidence
	}
	return evidenceOf(acute)
}
