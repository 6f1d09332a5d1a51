package rules

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// What the rest of the record says against a filter's history: a complication of a filter presupposes one, and nobody is given a filter
// before birth or after death.

// contradict adds to what the tellers of the filter disagree about what diagnoses and the patient's own days say against it.
func (s *Situation) contradict() {
	var out []filter.Contradiction
	add := func(kind, text string, evidence []filter.Ref) {
		evidence = slices.Concat(s.Filter.Evidence, evidence)
		slices.Sort(evidence)
		out = append(out, filter.Contradiction{Kind: kind, Text: text, Evidence: slices.Compact(evidence), Decides: true})
	}
	for _, c := range s.Complications {
		if c.Against != "" {
			add(c.Kind, c.Against, c.Evidence)
		}
	}
	if s.placedAfterDeath() {
		add("placed-after-death", "The placement is dated "+s.Filter.Placed.String()+", after the death of "+s.Facts.Deceased.When.String()+": one of the days is wrong, or the entry is another patient's.", s.Dead)
	}
	if b := s.Facts.Body; s.Filter.Placed.Latest < b.Born.Earliest && len(b.Evidence) > 0 {
		add("placed-before-birth", "The placement is dated "+s.Filter.Placed.String()+", before the birth of "+b.Born.String()+": one of the days is wrong, or the entry is another patient's.", b.Evidence)
	}
	if len(out) == 0 {
		return
	}
	out = append(out, s.Filter.Contradictions...)
	slices.SortStableFunc(out, func(a, b filter.Contradiction) int {
		return strings.Compare(a.Kind+strings.Join(a.Evidence, " "), b.Kind+strings.Join(b.Evidence, " "))
	})
	s.Filter.Contradictions = out
}

// placedAfterDeath reports a death before the first day on which the filter can have been placed. A placement may be dated by its bill,
// some days after it was done.
func (s *Situation) placedAfterDeath() bool {
	return len(s.Dead) > 0 && s.Facts.Deceased.When.Known() && s.Facts.Deceased.When.Latest.Add(s.Policy.SamePlacementDays) < s.Filter.Placed.Earliest
}

// tooEarly reports a complication that presupposes a filter and began when no filter of the patient is known to have been in. It counts
// for the first one, whose day of placement is then in doubt, and always for the one whose device it names. A code that belongs to many
// devices presupposes none: a filter in its words may be one that is only to be placed.
func (s *Situation) tooEarly(d *Diagnosis) bool {
	if !d.ownCode() && len(d.Devices) == 0 || s.afterPlacement(*d) {
		return false
	}
	return len(d.Devices) > 0 || !slices.ContainsFunc(s.Facts.Neighbours, func(n Neighbour) bool {
		return n.Placed.Earliest <= d.Day().Latest || n.Placed.Earliest < s.Filter.Placed.Earliest
	})
}

// yet gives what a complication of a filter says once that is recorded as removed. What lies in heart or lung on the day of the removal or
// later did not come out with it, whatever that entry says: these stay emergencies. Any other complication that began later leaves open
// whether the filter came out. One of the day itself was found at the retrieval, and so was one that is the retrieval's own by its words or
// by the retrieval's. A code that belongs to many devices reopens nothing unless it refers to the filter itself. A removal of no exact day
// may have been before an emergency.
func (s *Situation) yet(d *Diagnosis, c Complication) (Complication, bool) {
	removed, day := s.Filter.Removed, d.Day()
	heart := d.Words.HeartOrLung && (d.Own && !d.ofMany() || d.Words.FilterInHeart)
	if !heart && !d.Names || !day.Known() || day.Latest < removed.Earliest || s.ofAnother(d) {
		return c, false
	}
	began := d.Onset
	if heart {
		began = day
	}
	against := func(when filter.Span) string {
		return s.recordedOut() + " a complication of a filter is dated " + when.String() + " (" + d.Label + "): a filter or a part of one may still be in."
	}
	c.Kind, c.Against = "", ""
	switch {
	case !heart && d.ofMany():
		c = s.low(*d)
		c.Text = "A device complication code that belongs to many devices is recorded since the removal; it does not say that a filter is in (" + d.Label + ")."
	case s.ofRetrieval(d, heart):
		c.Weight, c.Emergency = NoEffect, false
	case c.Emergency && (heart || s.presumedOut() && day.Earliest > removed.Latest):
		c.Kind, c.Against = "complication-after-removal", against(day)
	case !d.Later && began.Bounded() && began.Earliest > removed.Latest && (c.Severe || d.ownCode() && s.presumedOut()):
		c.Kind, c.Against = "complication-after-removal", against(began)
		c.Weight, c.Emergency = NoEffect, false
	default:
		c.Weight, c.Emergency = NoEffect, false
	}
	return c, true
}

// ofRetrieval reports a complication that was found and dealt with at the retrieval: it says that it came out or when it happened, or the
// retrieval names it as its own; a part that is missing did not come out. What lies in heart or lung is the retrieval's only where it did not begin later; without an onset that is
// what was recorded in the days of the retrieval, unless the retrieval itself names it.
func (s *Situation) ofRetrieval(d *Diagnosis, heart bool) bool {
	named := slices.ContainsFunc(s.Filter.Events, func(e filter.Event) bool {
		return e.Kind == filter.Removal && slices.Contains(e.Evidence, first(d.Evidence))
	})
	if !heart {
		return !d.Words.Missing && (named || d.Words.Out || d.Words.AtRetrieval || d.Words.AfterRetrieval && !d.ownCode())
	}
	removed := s.Filter.Removed
	switch {
	case removed.Latest >= filter.MaxDay || d.Onset.Known() && d.Onset.Earliest > removed.Latest:
		return false
	case named:
		return true
	}
	return d.Words.HeartOut && (d.Onset.Known() || d.Recorded.Earliest <= removed.Latest.Add(s.Policy.SamePlacementDays))
}

// ofMany reports a complication whose code belongs to many devices, and that refers to no filter's Device.
func (d *Diagnosis) ofMany() bool {
	switch d.Class {
	case DeviceThrombosis, DeviceInfection, DeviceHaemorrhage, DeviceEmbolism, DevicePain, DeviceStenosis, DeviceOther:
		return len(d.Devices) == 0
	}
	return false
}

// recordedOut begins a sentence that says what contradicts a removal.
func (s *Situation) recordedOut() string {
	return "Recorded as removed (" + s.Filter.Removed.String() + "), yet"
}

// ownCode reports a complication whose code is for filters alone.
func (d *Diagnosis) ownCode() bool {
	return d.Class == Displacement || d.Class == Penetration || d.Class == Fracture
}

// ofAnother reports a complication that another filter of the patient is the nearer one to have had: one that may have been in on its day,
// or of several that were out by then the one that came out last.
func (s *Situation) ofAnother(d *Diagnosis) bool {
	if len(d.Devices) > 0 {
		return false // it names this one's
	}
	return slices.ContainsFunc(s.Facts.Neighbours, func(n Neighbour) bool {
		return n.Placed.Earliest <= d.Day().Latest && (!n.Out || n.Removed.Latest >= d.Day().Earliest || n.Removed.Latest > s.Filter.Removed.Latest)
	})
}

// presumedOut reports a removal, by a known day, that every entry of it tells by its code only.
func (s *Situation) presumedOut() bool {
	removals := 0
	for _, e := range s.Filter.Events {
		if e.Kind == filter.Removal {
			if removals++; !e.Presumed {
				return false
			}
		}
	}
	return removals > 0 && s.Filter.Removed.Latest < filter.MaxDay
}

// afterRemoval gives the contradictions of a removal with complications.
func (s *Situation) afterRemoval() []filter.Contradiction {
	var out []filter.Contradiction
	for _, c := range s.Filter.Contradictions {
		if c.Kind == "complication-after-removal" {
			out = append(out, c)
		}
	}
	return out
}

func doubtRules() []Rule {
	const choice = "design choice: the record's own contradictions are named, never smoothed over"
	return []Rule{
		{"complication-after-removal", "A complication of a filter that is recorded as removed", choice, policy.Choice, func(s *Situation) []Finding {
			var out []Finding
			for _, c := range s.afterRemoval() {
				out = append(out, s.find(c.Text, c.Evidence)...)
			}
			return out
		}},
		{"record-contradiction", "The record contradicts itself about this filter", choice, policy.Choice, func(s *Situation) []Finding {
			var out []Finding
			for _, c := range s.Filter.Contradictions {
				if c.Decides && s.Filter.Standing != filter.StandingRemoved {
					out = append(out, s.find(c.Text, c.Evidence)...)
				}
			}
			return out
		}},
	}
}
