package rules

import (
	"cmp"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Anticoagulation is what is prescribed on the day of the assessment. "Prescribed" is never "taking".
type Anticoagulation struct {
	Level Level
	Agent string
	// Since is the start of unbroken therapeutic cover across agents; Unknown where there is none.
	Since    filter.Span
	Evidence []filter.Ref
	// cover is what Since and Agent stand on.
	cover []filter.Ref
	// undated says that a treatment dose is on record of which nobody knows since when: it can be of yesterday, or long over. The
	// level is left open then.
	undated bool
	// Measured says in words which values settled the level, or left it open; sorted.
	Measured []string
	// Finished is the longest therapeutic cover that has ended, of those that can have treated the event the filter was placed
	// for where there are such; nil where there is none.
	Finished *Cover
}

// Cover is an unbroken time under therapeutic anticoagulation.
type Cover struct {
	Start, End filter.Span
	Evidence   []filter.Ref
}

// ended gives the last day of a course that has ended by asOf. A course known to be over before the end that was planned for it, or
// over on no known day, ended at the latest when the entry was written; then its end is not known and it covers nothing for certain.
func (s *Situation) ended(c Course) (filter.Day, bool) {
	if c.End.Latest < filter.MaxDay && s.Clock.Reached(c.End.Latest.Add(1)) {
		return c.End.Latest, true
	}
	return filter.MaxDay, c.Over
}

// current reports whether a course runs on asOf.
func (s *Situation) current(c Course) bool {
	if !s.Clock.Reached(c.Start.Earliest) {
		return false
	}
	_, over := s.ended(c)
	return !over
}

// stale reports an outpatient order without renewal for so long that nobody can say whether it is still followed.
func (s *Situation) stale(c Course) bool {
	return s.old(c) && !(c.Refilled.Bounded() && !s.Clock.AtLeast(c.Refilled.Latest, s.Policy.RefillDays+1))
}

// old reports an order that would be stale but for its renewal, by the latest day that the entry gives: the one it was written on or
// the one it begins on.
func (s *Situation) old(c Course) bool {
	latest := filter.MinDay
	for _, day := range []filter.Span{c.Authored, c.Start} {
		if day.Bounded() {
			latest = max(latest, day.Latest)
		}
	}
	return c.Outpatient && latest > filter.MinDay && s.Clock.AtLeast(latest, s.Policy.RefillDays+1)
}

// denials lists the entries that say later than a running course that its agent is not taken: an order that nobody has ended is no
// word against that.
func (s *Situation) denials(g graded) []filter.Ref {
	var out []filter.Ref
	for _, n := range s.Facts.NoAnticoagulant {
		if n.Agent != g.Agent || !n.When.Bounded() || !s.Clock.Reached(n.When.Earliest) || g.Start.Bounded() && n.When.Latest < g.Start.Earliest {
			continue
		}
		renewed := false
		for _, day := range []filter.Span{g.Authored, g.Refilled} {
			renewed = renewed || day.Bounded() && day.Earliest > n.When.Latest
		}
		if !renewed {
			out = append(out, n.Evidence...)
		}
	}
	return out
}

// denied leaves a running course open where the record says that it is not taken.
func (s *Situation) denied(g graded) graded {
	if no := s.denials(g); len(no) > 0 {
		g.level, g.evidence, g.measured = Indeterminate, slices.Concat(g.evidence, no), ""
	}
	return g
}

func (s *Situation) anticoagulation() Anticoagulation {
	a := Anticoagulation{Level: LevelUnknown, Since: filter.Unknown()}
	running := make([]graded, 0, len(s.Facts.Courses))
	var past []graded
	var stale []filter.Ref
	for _, c := range s.Facts.Courses {
		if c.Never || !s.Clock.Reached(c.Start.Earliest) {
			continue
		}
		g := s.grade(c)
		switch {
		case c.Unsure && (!s.current(c) || len(s.denials(g)) > 0): // that it has ended says nothing of what is taken, and that it is not taken is said elsewhere
		case !s.current(c):
			past = append(past, g)
		case s.stale(c):
			stale = append(stale, c.Evidence...)
		default:
			g = s.denied(g)
			if s.old(c) {
				g.evidence = slices.Concat(g.evidence, c.RefilledBy)
			}
			running = append(running, g)
		}
	}
	for _, level := range []Level{Therapeutic, Reduced, Indeterminate, Prophylactic} {
		for _, g := range running {
			if g.level != level || a.Level != LevelUnknown && a.Level != level {
				continue
			}
			if a.Level == LevelUnknown || g.Agent < a.Agent {
				a.Agent = g.Agent
			}
			a.Level = level
			a.Evidence = append(a.Evidence, g.evidence...)
			if g.measured != "" {
				a.Measured = append(a.Measured, g.measured)
			}
		}
	}
	if a.Level == LevelUnknown {
		a.Evidence = stale
	}
	if a.Level == LevelUnknown && len(stale) == 0 {
		for _, g := range past {
			a.Level = LevelNone
			a.Evidence = append(a.Evidence, g.Course.Evidence...)
		}
		for _, n := range s.Facts.NoAnticoagulant {
			if len(running) == 0 && s.Clock.Reached(n.When.Earliest) {
				a.Level = LevelNone
				a.Evidence = append(a.Evidence, n.Evidence...)
			}
		}
	}
	s.covers(&a, running, past)
	if a.Level == Therapeutic && !a.Since.Known() {
		a.Level, a.undated = Indeterminate, true
	}
	slices.Sort(a.Evidence)
	a.Evidence = slices.Compact(a.Evidence)
	slices.Sort(a.Measured)
	a.Measured = slices.Compact(a.Measured)
	return a
}

// covers joins therapeutic courses with short gaps into covers; the one that runs on asOf gives Since.
func (s *Situation) covers(a *Anticoagulation, running, past []graded) {
	ordered := make([]graded, 0, len(running)+len(past))
	for _, list := range [...][]graded{running, past} {
		for i := range list {
			if g := &list[i]; g.level == Therapeutic && g.Start.Bounded() {
				if end, over := s.ended(g.Course); over && end >= filter.MaxDay {
					continue
				}
				ordered = append(ordered, *g)
			}
		}
	}
	slices.SortFunc(ordered, func(x, y graded) int {
		return cmp.Or(cmp.Compare(x.Start.Latest, y.Start.Latest), -cmp.Compare(certainEnd(x.Course), certainEnd(y.Course)), cmp.Compare(first(x.Evidence), first(y.Evidence)))
	})
	var all []Cover
	for _, g := range ordered {
		if n := len(all); n > 0 && int(g.Start.Latest-all[n-1].End.Earliest)-1 <= s.Policy.CoverGapDays {
			c := &all[n-1]
			// A course that adds no day, or only days to come, is not what the cover stands on.
			if certainEnd(g.Course) <= c.End.Earliest && g.End.Latest <= c.End.Latest || !s.Clock.Reached(c.End.Earliest.Add(1)) {
				continue
			}
			c.End = filter.Span{Earliest: max(c.End.Earliest, certainEnd(g.Course)), Latest: max(c.End.Latest, g.End.Latest)}
			c.Evidence = append(c.Evidence, g.evidence...)
			continue
		}
		all = append(all, Cover{Start: g.Start, End: filter.Span{Earliest: certainEnd(g.Course), Latest: g.End.Latest}, Evidence: slices.Clone(g.evidence)})
	}
	for i, c := range all {
		if c.End.Latest >= filter.MaxDay || !s.Clock.Reached(c.End.Latest.Add(1)) {
			if a.Level == Therapeutic && (!a.Since.Known() || c.Start.Latest < a.Since.Latest) {
				a.Since, a.cover = c.Start, c.Evidence
			}
			continue
		}
		if a.Finished == nil || s.tells(c, *a.Finished) {
			a.Finished = &all[i]
		}
	}
	if a.Since.Known() {
		a.Evidence = slices.Concat(a.Evidence, a.cover)
		a.cover = slices.Concat(a.cover, s.named(a.Agent, running))
	}
}

// tells reports whether a finished cover says more about the filter's reason than another: it can have treated it and the other
// cannot, else it treated it longer.
func (s *Situation) tells(c, than Cover) bool {
	if now, before := s.afterIndex(&c), s.afterIndex(&than); now != before {
		return now
	}
	return c.End.Earliest-s.coverFrom(&c) > than.End.Earliest-s.coverFrom(&than)
}

// named gives the evidence of the running therapeutic course of an agent that began first.
func (s *Situation) named(agent string, running []graded) []filter.Ref {
	var best *graded
	for i, g := range running {
		if g.level == Therapeutic && g.Agent == agent && (best == nil || cmp.Or(cmp.Compare(g.Start.Latest, best.Start.Latest), cmp.Compare(first(g.Evidence), first(best.Evidence))) < 0) {
			best = &running[i]
		}
	}
	if best == nil {
		return nil
	}
	return best.evidence
}

// certainEnd is the earliest day on which a course can have ended; a course without an end goes on.
func certainEnd(c Course) filter.Day {
	if !c.End.Known() {
		return filter.MaxDay
	}
	return c.End.Earliest
}

// therapeuticFor reports whether cover has certainly lasted n days.
func (s *Situation) therapeuticFor(n int) bool {
	return s.Anticoagulation.Level == Therapeutic && s.Anticoagulation.Since.Known() && s.Clock.AtLeast(s.Anticoagulation.Since.Latest, n)
}

// words says what is prescribed; "" where nothing is on record. The values that decided it are told apart, in Finding.By.
func (a Anticoagulation) words() string {
	switch {
	case a.Level == LevelUnknown && len(a.Evidence) == 0:
		return ""
	case a.Level == LevelUnknown:
		return "An anticoagulant order is on record, without renewal for too long."
	}
	text := "Prescribed anticoagulation: " + string(a.Level)
	if a.Agent != "" {
		text += " (" + a.Agent + ")"
	}
	if a.Since.Known() {
		text += ", unbroken since " + a.Since.String()
	}
	if a.undated {
		text += ", a treatment dose since no known day"
	}
	return text + "."
}

// levelBesideAcute gives what the level stands on, without old events: beside an acute one they do not make it another.
func (s *Situation) levelBesideAcute() []filter.Ref {
	old := evidenceOf(s.told)
	return slices.DeleteFunc(slices.Clone(s.Anticoagulation.Evidence), func(r filter.Ref) bool { return slices.Contains(old, r) })
}

func anticoagulationRules() []Rule {
	const source = "US product labels for adult doses in VTE (memory); CMS value sets for the prophylactic product sizes"
	return []Rule{
		{"anticoagulation-level", "Level of the anticoagulant prescribed", source, policy.Memory, func(s *Situation) []Finding {
			a := s.Anticoagulation
			if s.gone() || a.Level == LevelUnknown {
				return nil
			}
			if s.outline {
				return s.find("")
			}
			return s.byValues(s.find(a.words()+" Prescribed does not mean taken.", a.Evidence))
		}},
		{"vte-untreated", "Acute VTE without a therapeutic anticoagulant on record", "CHEST guideline on VTE, 2nd update 2021: acute VTE is treated unless contraindicated", policy.SecondHand, func(s *Situation) []Finding {
			if len(s.UntreatedVTE) == 0 || s.gone() || s.Anticoagulation.Level == Indeterminate {
				return nil
			}
			text := "Acute venous thromboembolism, no therapeutic anticoagulant on record and no active contraindication: settle anticoagulation first." + assumed(s.acuteVTEs())
			return s.byValues(s.find(strings.TrimSpace(text+" "+s.Anticoagulation.words()), s.UntreatedVTE, s.levelBesideAcute()))
		}},
		{"vte-treatment-unclear", "Acute VTE with an anticoagulant whose dose the record does not settle", "CHEST guideline on VTE, 2nd update 2021: acute VTE is treated unless contraindicated", policy.SecondHand, func(s *Situation) []Finding {
			if len(s.UntreatedVTE) == 0 || s.gone() || s.Anticoagulation.Level != Indeterminate {
				return nil
			}
			text := "Acute venous thromboembolism, and status, dose, days, weight, INR or kidney function on record do not settle whether the anticoagulant is at a treatment dose. It may also be too much: add no second one on this account." + assumed(s.acuteVTEs())
			return s.byValues(s.find(strings.TrimSpace(text+" "+s.Anticoagulation.words()), s.UntreatedVTE, s.levelBesideAcute()))
		}},
	}
}
