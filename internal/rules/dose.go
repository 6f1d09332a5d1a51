package rules

import (
	"fmt"
	"math"
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/renal"
)

// Level says how much anticoagulation is prescribed.
type Level string

const (
	Therapeutic   Level = "therapeutic"
	Reduced       Level = "reduced"
	Prophylactic  Level = "prophylactic"
	LevelNone     Level = "none"
	Indeterminate Level = "indeterminate"
	LevelUnknown  Level = "unknown"
)

// fixed is the table of agents whose dose alone settles the level. Adult doses for VTE from US labels, from memory
// (clinical facts to confirm on the current label; regional labels differ).
type fixed struct {
	agent       string
	mg, perDay  float64
	level       Level
	needsReduce bool // reduced only long enough after the VTE, else prophylactic
}

// fixedDoses is an array because it is asked for with every course, and an array needs no memory of its own.
func fixedDoses() [18]fixed {
	return [...]fixed{
		{"apixaban", 10, 2, Therapeutic, false},
		{"apixaban", 5, 2, Therapeutic, false},
		{"apixaban", 2.5, 2, Reduced, true},
		{"rivaroxaban", 15, 2, Therapeutic, false},
		{"rivaroxaban", 20, 1, Therapeutic, false},
		{"rivaroxaban", 10, 1, Reduced, true},
		{"dabigatran", 150, 2, Therapeutic, false},
		{"dabigatran", 220, 1, Prophylactic, false},
		{"edoxaban", 60, 1, Therapeutic, false},
		{"enoxaparin", 40, 1, Prophylactic, false},
		{"enoxaparin", 30, 2, Prophylactic, false},
		{"enoxaparin", 30, 1, Prophylactic, false},
		{"enoxaparin", 40, 2, Prophylactic, false},
		{"dalteparin", 2500, 1, Prophylactic, false},
		{"dalteparin", 5000, 1, Prophylactic, false},
		{"fondaparinux", 2.5, 1, Prophylactic, false},
		{"heparin", 5000, 2, Prophylactic, false},
		{"heparin", 5000, 3, Prophylactic, false},
	}
}

// perKg is the table of low molecular weight heparins: labelled treatment dose per kg of body weight.
type perKg struct {
	agent  string
	amount float64 // mg or units per kg and dose
	perDay float64
}

func weightDoses() [5]perKg {
	return [...]perKg{
		{"enoxaparin", 1, 2}, {"enoxaparin", 1.5, 1},
		{"dalteparin", 200, 1}, {"dalteparin", 100, 2}, {"dalteparin", 150, 1},
	}
}

// graded is one course with its level and what settled it.
type graded struct {
	Course
	level    Level
	evidence []filter.Ref
	measured string // the value that settled the level or left it open, in words
}

// grade gives the level of one course. near is the day by which weight and INR are looked up: the course's end, or asOf.
func (s *Situation) grade(c Course) graded {
	g := graded{Course: c, level: Indeterminate, evidence: c.Evidence}
	if c.Unsure {
		return g // nor is there an INR under it
	}
	mg := c.MgPerDose
	if mg == 0 {
		mg = c.Product
	}
	if vitaminK(c.Agent) {
		return s.gradeINR(g)
	}
	if c.Doubtful {
		return g // a strength is no dose where the words about it are not understood
	}
	if c.Agent == "fondaparinux" && mg >= 5 {
		return s.gradeFondaparinux(g, mg)
	}
	if c.Agent == "edoxaban" && mg == 30 && frequencyOf(c, 1) {
		return s.gradeHalfEdoxaban(g)
	}
	if c.PerKg > 0 {
		return s.gradePerKg(g)
	}
	for _, f := range fixedDoses() {
		if f.agent != c.Agent || f.mg != mg || !frequencyFits(c, mg, f.perDay) {
			continue
		}
		g.level = f.level
		if f.needsReduce {
			return s.gradeLow(g)
		}
		return s.besideWeight(g, mg)
	}
	if c.MgPerDose == 0 || c.PerDay == 0 {
		return g
	}
	weight, ok := s.labNear("weight", c, s.Policy.WeightDays)
	if !ok || weight.Value <= 0 {
		return g
	}
	for _, d := range weightDoses() {
		labelled := d.amount * weight.Value
		if d.agent == c.Agent && d.perDay == c.PerDay && math.Abs(c.MgPerDose-labelled) <= labelled*float64(s.Policy.LMWHBandPercent)/100+1e-9 {
			g.level = Therapeutic
			g.evidence = slices.Concat(c.Evidence, weight.Evidence)
			g.measured = fmt.Sprintf("a weight of %v kg on %s", weight.Value, weight.Day)
		}
	}
	if g.level == Indeterminate && c.Agent == "enoxaparin" && c.PerDay == 1 && s.inBand(c.MgPerDose, weight.Value) {
		return s.gradeRenalOnce(g)
	}
	return g
}

// besideWeight leaves a labelled preventive dose open where the weight on record makes it a labelled treatment dose too: nobody can
// tell from the order which of the two was meant. A dose without a frequency is held against that of every frequency. Once a day
// 1 mg of enoxaparin per kg treats where the creatinine clearance is below 30 mL/min, or may be.
func (s *Situation) besideWeight(g graded, mg float64) graded {
	weight, ok := s.labNear("weight", g.Course, s.Policy.WeightDays)
	if g.level != Prophylactic || !ok || weight.Value <= 0 {
		return g
	}
	open := func(evidence []filter.Ref, words string) graded {
		g.level, g.evidence, g.measured = Indeterminate, slices.Concat(g.Evidence, evidence), words
		return g
	}
	words := fmt.Sprintf("a weight of %v kg on %s", weight.Value, weight.Day)
	for _, d := range weightDoses() {
		if d.agent == g.Agent && frequencyOf(g.Course, d.perDay) && s.inBand(mg, d.amount*weight.Value) {
			return open(weight.Evidence, words)
		}
	}
	if g.Agent != "enoxaparin" || !frequencyOf(g.Course, 1) || !s.inBand(mg, weight.Value) {
		return g
	}
	k, known := s.clearance(g.Course)
	switch {
	case known && k.low >= 30:
		return g
	case known:
		return open(k.evidence, k.words)
	}
	return open(weight.Evidence, words)
}

// inBand reports whether a dose lies in the band around a labelled one.
func (s *Situation) inBand(dose, labelled float64) bool {
	return math.Abs(dose-labelled) <= labelled*float64(s.Policy.LMWHBandPercent)/100+1e-9
}

// gradePerKg grades a dose that is ordered by body weight: it needs no weight.
func (s *Situation) gradePerKg(g graded) graded {
	for _, d := range weightDoses() {
		if d.agent == g.Agent && d.perDay == g.PerDay && s.inBand(g.PerKg, d.amount) {
			g.level = Therapeutic
			return g
		}
	}
	if g.Agent == "enoxaparin" && g.PerDay == 1 && s.inBand(g.PerKg, 1) {
		return s.gradeRenalOnce(g)
	}
	return g
}

// gradeRenalOnce grades enoxaparin 1 mg/kg once a day: a treatment where the creatinine clearance is below 30 mL/min, else half of
// one. US label, from memory.
func (s *Situation) gradeRenalOnce(g graded) graded {
	k, ok := s.clearance(g.Course)
	if !ok || k.high >= 30 {
		return g
	}
	g.level, g.evidence, g.measured = Therapeutic, slices.Concat(g.Evidence, k.evidence), k.words
	return g
}

// gradeHalfEdoxaban grades edoxaban 30 mg once a day: a treatment where the creatinine clearance is 15 to 50 mL/min or the weight
// at most 60 kg, else half of one. US label, from memory; the drugs that ask for 30 mg too are not read.
func (s *Situation) gradeHalfEdoxaban(g graded) graded {
	if w, ok := s.labNear("weight", g.Course, s.Policy.WeightDays); ok && w.Value > 0 && w.Value <= 60 {
		g.level, g.evidence, g.measured = Therapeutic, slices.Concat(g.Evidence, w.Evidence), fmt.Sprintf("a weight of %v kg on %s", w.Value, w.Day)
		return g
	}
	if k, ok := s.clearance(g.Course); ok && k.low >= 15 && k.high <= 50 {
		g.level, g.evidence, g.measured = Therapeutic, slices.Concat(g.Evidence, k.evidence), k.words
	}
	return g
}

// kidneys is an estimated creatinine clearance in mL/min, as a range where the birthday is not known to the day.
type kidneys struct {
	low, high float64
	evidence  []filter.Ref
	words     string
}

// clearance estimates the creatinine clearance by Cockcroft and Gault from the latest creatinine and weight that are not too old.
func (s *Situation) clearance(c Course) (kidneys, bool) {
	if s.mayBeChild() {
		return kidneys{}, false
	}
	weight, weighed := s.labNear("weight", c, s.Policy.WeightDays)
	creatinine, measured := s.labNear("creatinine", c, s.Policy.CreatinineDays)
	b := s.Facts.Body
	if !weighed || !measured || !b.Born.Bounded() || b.Sex != "female" && b.Sex != "male" {
		return kidneys{}, false
	}
	day := creatinine.Day.Latest
	low := renal.CockcroftGault(yearsBetween(b.Born.Earliest, day), weight.Value, creatinine.Value, b.Sex == "female")
	high := renal.CockcroftGault(yearsBetween(b.Born.Latest, day), weight.Value, creatinine.Value, b.Sex == "female")
	if math.IsNaN(low) || math.IsNaN(high) {
		return kidneys{}, false
	}
	return kidneys{low, high, slices.Concat(b.Evidence, weight.Evidence, creatinine.Evidence),
		fmt.Sprintf("an estimated creatinine clearance of %.0f mL/min (Cockcroft and Gault; creatinine of %s, weight of %s)", (low+high)/2, creatinine.Day, weight.Day)}, true
}

// yearsBetween gives whole years of age.
func yearsBetween(born, on filter.Day) int {
	y, m, d := on.Date()
	by, bm, bd := born.Date()
	years := y - by
	if m < bm || m == bm && d < bd {
		years--
	}
	return years
}

// frequencyOf reports a frequency that is told as perDay, or not told at all.
func frequencyOf(c Course, perDay float64) bool { return c.PerDay == perDay || c.PerDay == 0 }

// gradeLow calls a low dose reduced long enough after the latest event, else preventive. A recent event beside one long
// enough ago is what makes it preventive, so both are listed.
func (s *Situation) gradeLow(g graded) graded {
	g.level = Prophylactic
	last, ok := s.lastVTE(func(Diagnosis) bool { return true })
	if !ok {
		return g
	}
	past := func(d Diagnosis) bool { return s.Clock.Reached(d.Day().Latest.AddMonths(s.Policy.ReducedMonths)) }
	old, aged := s.lastVTE(past)
	if stated, ok := s.lastVTE(s.ofPlacement); ok {
		// What the placement says is said in any case, whatever is told beside it.
		if aged = past(stated); aged {
			old = stated
		} else {
			last = stated
		}
	}
	switch {
	case past(last):
		g.level, g.evidence = Reduced, slices.Concat(g.Evidence, old.Evidence)
	case aged:
		g.evidence = slices.Concat(g.Evidence, last.Evidence, old.Evidence)
	case slices.Contains(s.tellers, first(last.Evidence)) && s.Clock.Reached(s.Filter.Placed.Latest.AddMonths(s.Policy.ReducedMonths)):
		// By the placement's word alone it would be long enough ago.
		g.evidence = slices.Concat(g.Evidence, last.Evidence)
	}
	return g
}

// frequencyFits compares the doses a day; a product without a frequency is read as its labelled use only where a dose of
// that size has one use, which the fixed table's rows of one size decide.
func frequencyFits(c Course, mg, perDay float64) bool {
	if c.PerDay > 0 {
		return c.PerDay == perDay
	}
	if c.Agent == "heparin" || c.MgPerDose > 0 && c.Product == 0 {
		return false
	}
	var use Level
	for _, f := range fixedDoses() {
		if f.agent != c.Agent || f.mg != mg {
			continue
		}
		if use != "" && use != f.level {
			return false
		}
		use = f.level
	}
	return use != ""
}

// gradeFondaparinux follows the label's weight bands: 5 mg below 50 kg, 7.5 mg from 50 to 100 kg, 10 mg above (memory).
func (s *Situation) gradeFondaparinux(g graded, mg float64) graded {
	weight, ok := s.labNear("weight", g.Course, s.Policy.WeightDays)
	if !ok || g.PerDay != 0 && g.PerDay != 1 {
		return g
	}
	w := weight.Value
	if mg == 5 && w < 50 || mg == 7.5 && w >= 50 && w <= 100 || mg == 10 && w > 100 {
		g.level = Therapeutic
		g.evidence = slices.Concat(g.Evidence, weight.Evidence)
		g.measured = fmt.Sprintf("a weight of %v kg on %s", weight.Value, weight.Day)
	}
	return g
}

// labNear gives the latest value measured by asOf, or by the end of an ended course, and not older than days.
func (s *Situation) labNear(what string, c Course, days int) (Lab, bool) {
	end, ended := s.ended(c)
	var best Lab
	found := false
	for i := range s.Facts.Labs {
		l := &s.Facts.Labs[i]
		if l.What != what || !l.Day.Bounded() || !s.Clock.Reached(l.Day.Latest) {
			continue
		}
		if ended && l.Day.Latest > end {
			continue
		}
		if !found || l.Day.Latest > best.Day.Latest || l.Day.Latest == best.Day.Latest && first(l.Evidence) > first(best.Evidence) {
			best, found = *l, true
		}
	}
	if best.Form != Exactly && (what == "weight" || what == "creatinine") {
		return best, false // nothing can be estimated with a limit
	}
	return best, found && s.fresh(best, c, days)
}

// fresh reports a value that is not older than days on asOf, or on the last day of an ended course.
func (s *Situation) fresh(l Lab, c Course, days int) bool {
	if end, ended := s.ended(c); ended {
		return int(end-l.Day.Latest) <= days
	}
	return s.Clock.Within(l.Day.Latest, days)
}

func first(refs []filter.Ref) filter.Ref {
	if len(refs) == 0 {
		return ""
	}
	return refs[0]
}
