package rules

import (
	"cmp"
	"math"
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/renal"
)

// LatestLab gives the latest value by asOf; ok is false where there is none or it is older than days.
func (s *Situation) LatestLab(what string, days int) (Lab, bool) { return s.latestLab(what, days) }

// Kidneys is what is estimated of kidney function from the latest creatinine. Each estimate is a range where the birthday is not
// known to the day, and NaN where something it needs is not on record.
type Kidneys struct {
	Creatinine Lab // mg/dL
	Weight     Lab // kg; its value is 0 where none is on record or it is too old
	// ClearanceLow and ClearanceHigh are by Cockcroft and Gault, in mL/min, with the weight as it was measured.
	ClearanceLow, ClearanceHigh float64
	// FiltrationLow and FiltrationHigh are by CKD-EPI 2021, in mL/min/1.73 m².
	FiltrationLow, FiltrationHigh float64
	Evidence                      []filter.Ref
	// Child says that the patient is or may be below the age of an adult: then nothing is estimated.
	Child bool
}

// below reports a value that lies below a limit for certain; atMost one that does not lie above it; reaches one that does not lie below.
func (l Lab) below(limit float64) bool {
	_, high := l.Bounds()
	return high < limit
}

func (l Lab) atMost(limit float64) bool {
	_, high := l.Bounds()
	return high <= limit
}

func (l Lab) reaches(limit float64) bool {
	low, _ := l.Bounds()
	return low >= limit
}

// fallen gives by how much a value has fallen at least.
func fallen(from, to Lab) float64 {
	least, _ := from.Bounds()
	_, most := to.Bounds()
	return least - most
}

// adultYears is the age from which on doses, holds and estimates of kidney function for adults are used.
const adultYears = 18

// mayBeChild reports a patient who is, or by a birthday known in part may be, below the age of an adult.
func (s *Situation) mayBeChild() bool {
	b := s.Facts.Body.Born
	return b.Bounded() && !s.Clock.Reached(b.Latest.AddMonths(12*adultYears))
}

// Kidneys gives the estimates; ok is false where no creatinine is on record that is recent enough.
func (s *Situation) Kidneys() (Kidneys, bool) {
	creatinine, ok := s.latestLab("creatinine", s.Policy.CreatinineDays)
	if !ok {
		return Kidneys{}, false
	}
	k := Kidneys{Creatinine: creatinine, ClearanceLow: math.NaN(), ClearanceHigh: math.NaN(), FiltrationLow: math.NaN(), FiltrationHigh: math.NaN(),
		Evidence: slices.Concat(s.Facts.Body.Evidence, creatinine.Evidence)}
	if w, ok := s.latestLab("weight", s.Policy.WeightDays); ok && w.Value > 0 {
		k.Weight = w
		k.Evidence = append(k.Evidence, w.Evidence...)
	}
	b := s.Facts.Body
	if k.Child = s.mayBeChild(); k.Child || !b.Born.Bounded() || b.Sex != "female" && b.Sex != "male" {
		return k, true
	}
	female := b.Sex == "female"
	oldest, youngest := yearsBetween(b.Born.Earliest, creatinine.Day.Latest), yearsBetween(b.Born.Latest, creatinine.Day.Latest)
	k.FiltrationLow, k.FiltrationHigh = renal.CKDEPI2021(oldest, creatinine.Value, female), renal.CKDEPI2021(youngest, creatinine.Value, female)
	k.ClearanceLow, k.ClearanceHigh = renal.CockcroftGault(oldest, k.Weight.Value, creatinine.Value, female), renal.CockcroftGault(youngest, k.Weight.Value, creatinine.Value, female)
	return k, true
}

// MayBeChild reports whether the patient is, or by a birthday known in part may be, below the age of an adult.
func (s *Situation) MayBeChild() bool { return s.mayBeChild() }

// Prescription is one anticoagulant that is prescribed on asOf, with its level.
type Prescription struct {
	Agent    string
	Level    Level
	Evidence []filter.Ref
	// Denied lists the entries that say later that it is not taken; nil where one of its orders is not denied.
	Denied []filter.Ref
	// Undated says that it is a treatment dose of which nobody knows since when: it can be long over. Its level is open then.
	Undated bool
}

// Prescriptions lists the agents prescribed on asOf, each once, by name: of several orders of one agent the highest level. What leaves
// the level of the answer open leaves that of the agent open. An order without renewal for so long that nobody can say whether it is
// followed is not among them.
func (s *Situation) Prescriptions() []Prescription {
	order := []Level{Therapeutic, Indeterminate, Reduced, Prophylactic}
	var out []Prescription
	for _, c := range s.Facts.Courses {
		if c.Never || !s.current(c) || s.stale(c) {
			continue
		}
		g := s.grade(c)
		p := Prescription{Agent: c.Agent, Denied: s.denials(g)}
		g = s.denied(g)
		if p.Undated = g.level == Therapeutic && !g.Start.Bounded(); p.Undated {
			g.level = Indeterminate
		}
		p.Level, p.Evidence = g.level, slices.Clone(g.evidence)
		at := slices.IndexFunc(out, func(p Prescription) bool { return p.Agent == c.Agent })
		if at < 0 {
			out = append(out, p)
			continue
		}
		o := &out[at]
		if len(o.Denied) == 0 || len(p.Denied) == 0 {
			if len(o.Denied) > 0 { // what is denied says nothing beside what is not
				o.Level, o.Undated = p.Level, p.Undated
			} else if len(p.Denied) == 0 && slices.Index(order, p.Level) < slices.Index(order, o.Level) {
				o.Level, o.Undated = p.Level, p.Undated
			}
			o.Denied = nil
		} else {
			o.Denied = append(o.Denied, p.Denied...)
		}
		o.Evidence = append(o.Evidence, p.Evidence...)
	}
	slices.SortFunc(out, func(a, b Prescription) int { return cmp.Compare(a.Agent, b.Agent) })
	return out
}

// AcuteVTEs lists every thromboembolism that may be acute on asOf, and the first day from which none of them is; MaxDay where there
// is none.
func (s *Situation) AcuteVTEs() ([]Diagnosis, filter.Day) {
	acute := s.acuteVTEs()
	until := filter.MaxDay
	for i, d := range acute {
		if day := d.Day().Latest.AddMonths(s.Policy.AcuteVTEMonths); i == 0 || day > until {
			until = day
		}
	}
	return acute, until
}

// Told names an event for people, with its code and its day.
func (d Diagnosis) Told() string { return d.words() }

// On lists the diagnoses of a class that are on record by asOf, whether or not they are over.
func (s *Situation) On(class Class) []Diagnosis {
	var out []Diagnosis
	for _, d := range s.Facts.Diagnoses {
		if d.Class == class && s.Clock.Reached(d.Day().Earliest) {
			out = append(out, d)
		}
	}
	return out
}
