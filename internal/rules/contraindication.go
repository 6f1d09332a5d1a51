package rules

import (
	"slices"

	"dwellwatch/internal/filter"
)

// contraindications sorts what speaks against anticoagulation by how its end is known on asOf.
type contraindications struct {
	active  []Diagnosis
	ended   []Diagnosis // the record says that it has ended
	unknown []Diagnosis // old, and no entry says that it has ended
	// labs are the values and visits that keep one of the active ones active.
	labs []filter.Ref
}

// contraindications reads bleeds, thrombocytopenia and bleeding disorders. HIT contraindicates heparins only and is not
// among them.
func (s *Situation) contraindications() contraindications {
	var c contraindications
	for _, d := range s.Facts.Diagnoses {
		if d.Later || !s.Clock.Reached(d.Day().Earliest) {
			continue
		}
		over := d.Inactive || d.Ended.Known() && s.Clock.Reached(d.Ended.Latest)
		switch d.Class {
		case Bleed:
			switch {
			case over:
				c.ended = append(c.ended, d)
			case d.Day().Bounded() && s.Clock.AtLeast(d.Day().Latest, s.Policy.BleedActiveDays+1):
				again := s.bleedAgain(d, filter.MinDay)
				if len(again) == 0 {
					c.unknown = append(c.unknown, d)
					continue
				}
				c.active = append(c.active, d)
				c.labs = append(c.labs, again...)
			default:
				c.active = append(c.active, d)
			}
		case Thrombocytopenia:
			count, ok := s.latestLab("platelets", s.Policy.PlateletDays)
			switch {
			case over:
				c.ended = append(c.ended, d)
			case ok && count.below(float64(s.Policy.PlateletLimit)):
				c.active = append(c.active, d)
				c.labs = append(c.labs, count.Evidence...)
			case ok && !count.reaches(float64(s.Policy.PlateletLimit)):
				// A limit that leaves open on which side of ours the count lies.
				c.unknown = append(c.unknown, d)
			case ok:
				// One count at or above the limit: not active, and not yet known to be over.
			default:
				c.unknown = append(c.unknown, d)
			}
		case BleedingDisorder:
			if over {
				c.ended = append(c.ended, d)
				continue
			}
			c.active = append(c.active, d)
		}
	}
	return c
}

// since leaves what speaks against anticoagulation from a day after the given one on: a contraindication older than a course
// counts as ended by it. What a later value or visit keeps active is as young as that.
func (c contraindications) since(s *Situation, start filter.Span) contraindications {
	var out contraindications
	for _, d := range c.active {
		young, labs := d.Day().Latest > start.Earliest, []filter.Ref(nil)
		switch d.Class {
		case Bleed:
			// An old bleed is active for what came after it only.
			if labs = s.bleedAgain(d, start.Earliest); d.Day().Bounded() && s.Clock.AtLeast(d.Day().Latest, s.Policy.BleedActiveDays+1) {
				young = len(labs) > 0
			}
		case Thrombocytopenia:
			if count, ok := s.latestLab("platelets", s.Policy.PlateletDays); ok {
				young, labs = count.Day.Latest > start.Earliest, count.Evidence
			}
		}
		if young {
			out.active, out.labs = append(out.active, d), append(out.labs, labs...)
		}
	}
	older := func(d Diagnosis) bool { return d.Day().Latest <= start.Earliest }
	out.ended = slices.DeleteFunc(slices.Clone(c.ended), older)
	out.unknown = slices.DeleteFunc(slices.Clone(c.unknown), older)
	return out
}

// bleedAgain gives what keeps an old bleed active: a later encounter for it, or a fall in haemoglobin, as long as that is
// no older than a bleed may be; only what came after the given day counts.
func (s *Situation) bleedAgain(d Diagnosis, after filter.Day) []filter.Ref {
	var out []filter.Ref
	recent := func(day filter.Span) bool {
		return day.Bounded() && day.Earliest > max(d.Day().Latest, after) && s.Clock.Reached(day.Earliest) && s.Clock.Within(day.Latest, s.Policy.BleedActiveDays)
	}
	for _, v := range s.Facts.Visits {
		if (v.Bleed || slices.Contains(v.For, first(d.Evidence))) && recent(v.When) {
			out = append(out, v.Evidence...)
		}
	}
	for _, low := range s.Facts.Labs {
		if low.What != "haemoglobin" || !recent(low.Day) {
			continue
		}
		for _, high := range s.Facts.Labs {
			days := int(low.Day.Latest - high.Day.Earliest)
			if high.What == "haemoglobin" && high.Day.Bounded() && high.Day.Latest < low.Day.Earliest && days <= s.Policy.HaemoglobinFallDays && fallen(high, low) >= float64(s.Policy.HaemoglobinFall)-1e-9 {
				out = append(append(out, low.Evidence...), high.Evidence...)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// latestLab gives the latest value by asOf; ok is false where there is none or it is older than days.
func (s *Situation) latestLab(what string, days int) (Lab, bool) {
	return s.labNear(what, Course{Start: filter.Unknown(), End: filter.Unknown()}, days)
}

// plannedSurgery lists surgery booked or ordered within the policy's days from asOf.
func (s *Situation) plannedSurgery() []filter.Ref {
	var out []filter.Ref
	for _, d := range s.Facts.Surgeries {
		if !s.Clock.Reached(d.Made.Earliest) {
			continue
		}
		day := d.When
		if !day.Known() {
			// An open order without a day counts for as many days from the day it was made.
			if d.Made.Bounded() && s.Clock.Within(d.Made.Latest, s.Policy.SurgeryDays) {
				out = append(out, d.Evidence...)
			}
			continue
		}
		if !s.Clock.Reached(day.Latest.Add(1)) && s.Clock.Reached(day.Earliest.Add(-s.Policy.SurgeryDays)) {
			out = append(out, d.Evidence...)
		}
	}
	return out
}

func evidenceOf(ds []Diagnosis) []filter.Ref {
	var out []filter.Ref
	for _, d := range ds {
		out = append(out, d.Evidence...)
	}
	return out
}
