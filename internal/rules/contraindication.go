package rules

import (
	"dwellwatch/internal/filter"
)

// contraindications sorts what speaks against anticoagulation by how its end is known on asOf.
type contraindications struct {
	active  []Diagnosis
	ended   []Diagnosis // the record says that it has ended
	unknown []Diagnosis // old, and no entry says that it has ended
	// evidence of labs that kept a thrombocytopenia active.
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
				c.unknown = append(c.unknown, d)
			default:
				c.active = append(c.active, d)
			}
		case Thrombocytopenia:
			count, ok := s.latestLab("platelets", s.Policy.PlateletDays)
			switch {
			case over:
				c.ended = append(c.ended, d)
			case ok && count.Value < float64(s.Policy.PlateletLimit):
				c.active = append(c.active, d)
				c.labs = append(c.labs, count.Evidence...)
			case ok:
				// One count at or above the limit: not active, and not yet known to be over.
				c.labs = append(c.labs, count.Evidence...)
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
