package rules

import (
	"slices"

	"dwellwatch/internal/filter"
)

// conflict gives the entries of an active bleed that came after a therapeutic anticoagulant was begun which is still on record: the one or the
// other is out of date, or what is prescribed must not be given. Either wants somebody at once, whatever becomes of the filter.
func (s *Situation) conflict() []filter.Ref {
	if s.Anticoagulation.Level != Therapeutic && !s.Anticoagulation.undated {
		return nil
	}
	var out []filter.Ref
	for _, d := range s.against.since(s, s.Anticoagulation.Since).active {
		if d.Class == Bleed && d.Day().Bounded() && s.Clock.Within(d.Day().Latest, s.Policy.BleedActiveDays) {
			out = append(out, d.Evidence...)
		}
	}
	if len(out) == 0 {
		return nil
	}
	return slices.Concat(out, s.Anticoagulation.Evidence)
}

// haemoglobinFall gives the values by which the latest haemoglobin, if it is recent, lies so far below one shortly before it that
// a major bleed must be thought of.
func (s *Situation) haemoglobinFall() []filter.Ref {
	low, ok := s.latestLab("haemoglobin", s.Policy.HaemoglobinFallDays)
	if !ok || !s.Filter.Placed.Known() || low.Day.Latest < s.Filter.Placed.Earliest {
		return nil
	}
	var out []filter.Ref
	for i := range s.Facts.Labs {
		high := &s.Facts.Labs[i]
		days := int(low.Day.Latest - high.Day.Earliest)
		if high.What == "haemoglobin" && high.Day.Bounded() && high.Day.Latest < low.Day.Earliest && days <= s.Policy.HaemoglobinFallDays &&
			fallen(*high, low) >= float64(s.Policy.HaemoglobinFall)-1e-9 {
			out = append(append(out, low.Evidence...), high.Evidence...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// reopenIndication takes back that the reason for the filter has passed where a new embolism, a clot in the cava or a bleed from the
// filter is current: each can be the reason for it to stay, or against what was to follow.
func (s *Situation) reopenIndication() {
	if s.Indication.Status != Resolved && s.Indication.Status != LikelyResolved {
		return
	}
	for _, c := range s.Complications {
		if c.Weight == NoEffect || c.Rule != "new-pe" && c.Rule != "caval-thrombosis" && c.Rule != "haemorrhage" {
			continue
		}
		s.Indication.Status = StatusUnknown
		s.Indication.Text = "What has come since leaves open whether the filter is still needed: " + c.Text + " Without it the reason would have passed. " + s.Indication.Text
		s.Indication.Evidence = append(slices.Clone(s.Indication.Evidence), c.Evidence...)
		return
	}
}
