package rules

import (
	"slices"

	"dwellwatch/internal/filter"
)

// settled gives diagnoses as a reader of the clock's day can believe them: an onset that is yet to come is unknown where the entry is on
// record already.
func settled(list []Diagnosis, clock *filter.Clock) []Diagnosis {
	copied := false
	for i := range list {
		d := &list[i]
		if !d.Onset.Known() || !d.Recorded.Known() || d.Onset.Earliest <= d.Recorded.Latest || !clock.Reached(d.Recorded.Earliest) || clock.Reached(d.Onset.Earliest) {
			continue
		}
		if !copied {
			list, copied = slices.Clone(list), true
		}
		list[i].Onset = filter.Unknown()
	}
	return list
}

// vtes lists the venous thromboembolisms that have been told by asOf, acute codes only.
func (s *Situation) vtes() []Diagnosis {
	var out []Diagnosis
	for i := range s.Facts.Diagnoses {
		d := &s.Facts.Diagnoses[i]
		if (d.Class == PE || d.Class == DVT || d.Class == CavalThrombosis) && d.Acute && !d.Later && s.Clock.Reached(d.Day().Earliest) {
			out = append(out, *d)
		}
	}
	return out
}

// indexVTE gives the event the filter was placed for: the one its placement refers to or names, else the latest with a day from 30
// days before to 7 days after the placement; up to 14 days after, it is the same event told again.
func (s *Situation) indexVTE() (Diagnosis, bool) {
	var best Diagnosis
	found, sure := false, false
	for _, d := range s.told {
		named := s.isReason(d)
		if !named && !s.near(d) {
			continue
		}
		if !found || named && !sure || named == sure && tellsMore(d, best) {
			best, found, sure = d, true, named
		}
	}
	return best, found
}

// near reports an event that is the index by its day, and that no imaging calls new.
func (s *Situation) near(d Diagnosis) bool {
	placed, day := s.Filter.Placed, d.Day()
	return placed.Known() && day.Known() && day.Latest >= placed.Earliest.Add(-s.Policy.IndexVTEBeforeDays) &&
		day.Earliest <= placed.Latest.Add(max(s.Policy.IndexVTEAfterDays, s.Policy.NewVTEAfterDays)) && len(s.seenNew(d)) == 0
}

// words names an event for people, with its code and its day.
func (d Diagnosis) words() string {
	name := ""
	switch d.Class {
	case PE:
		name = "pulmonary embolism"
	case DVT:
		name = "deep vein thrombosis"
	case CavalThrombosis:
		name = "thrombosis of the cava"
	}
	return name + " (" + d.Label + "), " + d.dayTold()
}

// dayTold writes the day of an event, and whether it is its own.
func (d Diagnosis) dayTold() string {
	if d.Assumed {
		return d.Day().String() + " as the placement's reason, with no day of its own on record"
	}
	return d.Day().String()
}

func later(a, b Diagnosis) bool {
	x, y := a.Day(), b.Day()
	if x.Latest != y.Latest {
		return x.Latest > y.Latest
	}
	if (a.Class == PE) != (b.Class == PE) {
		return a.Class == PE
	}
	return first(a.Evidence) < first(b.Evidence)
}

// newVTEs lists events that began after the placement: an onset (a recorded date does not do) more than 14 days later and
// told in another encounter than the placement's, or imaging that says new.
func (s *Situation) newVTEs() []Diagnosis {
	placed := s.Filter.Placed
	if !placed.Known() {
		return nil
	}
	var out []Diagnosis
	for _, d := range s.told {
		if !s.newByDay(d) {
			seen := s.seenNew(d)
			if len(seen) == 0 {
				continue
			}
			d.Evidence = slices.Concat(d.Evidence, seen)
		}
		out = append(out, d)
	}
	return out
}

// newByDay reports an onset that makes an event new.
func (s *Situation) newByDay(d Diagnosis) bool {
	if !d.Onset.Known() || d.Onset.Earliest <= s.Filter.Placed.Latest.Add(s.Policy.NewVTEAfterDays) {
		return false
	}
	return d.Encounter == "" || d.Words.New || !s.toldBefore(d) || !slices.ContainsFunc(s.Filter.Events, func(e filter.Event) bool { return e.Encounter == d.Encounter })
}

// toldBefore reports whether an event of the same kind stands before the time from which one is new: then an entry of the
// placement's own stay can be that one told again. A first embolism after a thrombosis of the leg is not.
func (s *Situation) toldBefore(d Diagnosis) bool {
	return slices.ContainsFunc(s.told, func(o Diagnosis) bool {
		return sameKind(o, d) && first(o.Evidence) != first(d.Evidence) && o.Day().Known() && o.Day().Earliest <= s.Filter.Placed.Latest.Add(s.Policy.NewVTEAfterDays)
	})
}

// seenNew lists reports of imaging after the placement that call an event of about its own day new.
func (s *Situation) seenNew(d Diagnosis) []filter.Ref {
	placed := s.Filter.Placed
	var out []filter.Ref
	for _, v := range s.Facts.Images {
		of := d.Class == PE && v.NewPE || d.Class == DVT && v.NewDVT
		if of && s.Clock.Reached(v.When.Earliest) && v.When.Bounded() && d.Day().Known() && d.Day().Earliest > placed.Latest && v.When.Earliest > placed.Latest &&
			v.When.Gap(d.Day()) <= s.Policy.SamePlacementDays {
			out = append(out, v.Evidence...)
		}
	}
	return out
}

// lastVTE gives the latest of the events on record that fit.
func (s *Situation) lastVTE(fits func(Diagnosis) bool) (Diagnosis, bool) {
	var best Diagnosis
	found := false
	for _, d := range s.told {
		if d.Day().Bounded() && fits(d) && (!found || later(d, best)) {
			best, found = d, true
		}
	}
	return best, found
}

// acute reports whether an event may still be acute: through the day before the same calendar day three months on. A day
// known only in part counts as late as it can be, the careful reading.
func (s *Situation) acute(d Diagnosis) bool {
	day := d.Day()
	if !day.Bounded() {
		return false
	}
	return !s.Clock.Reached(day.Latest.AddMonths(s.Policy.AcuteVTEMonths))
}

// acuteVTEs lists every event that may be acute on asOf, the index or another.
func (s *Situation) acuteVTEs() []Diagnosis {
	var out []Diagnosis
	for _, d := range s.told {
		if s.acute(d) {
			out = append(out, d)
		}
	}
	return out
}

// untreated gives the entries of an acute VTE that has neither a therapeutic anticoagulant on record nor an active
// contraindication.
func (s *Situation) untreated() []filter.Ref {
	if s.Anticoagulation.Level == Therapeutic {
		return nil
	}
	if len(s.against.active) > 0 {
		return nil
	}
	var out []filter.Ref
	for _, d := range s.acuteVTEs() {
		out = append(out, d.Evidence...)
	}
	return out
}
