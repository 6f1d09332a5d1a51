package rules

import (
	"cmp"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
)

// Stretch is a time for which one anticoagulant was prescribed at one level.
type Stretch struct {
	Agent      string
	Level      Level
	Start, End filter.Span // the end is Unknown while it runs, and where the record does not tell it
	Runs       bool        // on asOf
	Evidence   []filter.Ref
}

// Stretches lists what was prescribed by asOf, in order of the first day: entries of one agent and level that follow each other with
// no longer gap than covers may have are one. It is for people to look at; no rule stands on it.
func (s *Situation) Stretches() []Stretch {
	var all []Stretch
	for _, c := range s.Facts.Courses {
		if c.Never || !s.Clock.Reached(c.Start.Earliest) {
			continue
		}
		g := s.grade(c)
		one := Stretch{Agent: c.Agent, Level: g.level, Start: c.Start, End: filter.Unknown(), Evidence: slices.Clone(c.Evidence)}
		switch end, over := s.ended(c); {
		case over && end < filter.MaxDay:
			one.End = c.End
		case !over && !s.stale(c):
			one.Runs = true
		}
		// The cover of a vitamin K antagonist begins with an INR, and the time line says so as the answer does.
		if g.level == Therapeutic && c.Start.Bounded() && g.Start.Bounded() && g.Start.Latest > c.Start.Latest {
			before := one
			before.Level, before.Runs, before.Evidence = Indeterminate, false, slices.Clone(c.Evidence)
			before.End = filter.Span{Earliest: g.Start.Earliest.Add(-1), Latest: g.Start.Latest.Add(-1)}
			all = append(all, before)
			one.Start = g.Start
		}
		all = append(all, one)
	}
	slices.SortFunc(all, func(a, b Stretch) int {
		return cmp.Or(cmp.Compare(a.Agent, b.Agent), cmp.Compare(a.Level, b.Level), cmp.Compare(a.Start.Latest, b.Start.Latest), cmp.Compare(a.Start.Earliest, b.Start.Earliest),
			cmp.Compare(a.End.Latest, b.End.Latest), cmp.Compare(first(a.Evidence), first(b.Evidence)))
	})
	var out []Stretch
	for _, x := range all {
		if n := len(out); n > 0 && s.goesOn(out[n-1], x) {
			last := &out[n-1]
			last.Evidence = append(last.Evidence, x.Evidence...)
			switch {
			case last.Runs:
			case x.Runs:
				last.Runs, last.End = true, filter.Unknown()
			case x.End.Bounded() && x.End.Latest > last.End.Latest:
				last.End = x.End
			}
			continue
		}
		out = append(out, x)
	}
	slices.SortStableFunc(out, func(a, b Stretch) int {
		return cmp.Or(cmp.Compare(a.Start.Earliest, b.Start.Earliest), cmp.Compare(a.Start.Latest, b.Start.Latest))
	})
	return out
}

// goesOn reports whether a stretch is the same as the one before it, told by a further entry.
func (s *Situation) goesOn(before, next Stretch) bool {
	if before.Agent != next.Agent || before.Level != next.Level || !before.Start.Bounded() || !next.Start.Bounded() {
		return false
	}
	return before.Runs || before.End.Bounded() && int(next.Start.Latest-before.End.Earliest)-1 <= s.Policy.CoverGapDays
}

// Happening is something beside the filter's own history that people want to see with it.
type Happening struct {
	What     string // reason | thromboembolism | contraindication
	When     filter.Span
	Text     string
	Evidence []filter.Ref
}

// Background lists the event that the filter was placed for, other thromboembolisms, and what spoke against anticoagulation, by asOf.
// What is told of as a complication of the filter is not among them.
func (s *Situation) Background() []Happening {
	var out []Happening
	index, known := s.indexVTE()
	if known {
		out = append(out, Happening{"reason", index.Day(), "Placed for: " + index.sided(), index.Evidence})
	}
	for _, d := range s.told {
		same := func(x Complication) bool { return slices.Equal(x.Evidence, d.Evidence) }
		if known && d.Class == index.Class && first(d.Evidence) == first(index.Evidence) || slices.ContainsFunc(s.Complications, same) {
			continue
		}
		out = append(out, Happening{"thromboembolism", d.Day(), capital(d.sided()), d.Evidence})
	}
	for _, d := range s.adverse() {
		end := "no end on record"
		switch {
		case d.Ended.Known():
			end = "ended " + d.Ended.String()
		case d.Inactive:
			end = "over"
		}
		out = append(out, Happening{"contraindication", d.Day(), capital(classWords(d.Class)) + " (" + d.Label + "), " + end, d.Evidence})
	}
	slices.SortFunc(out, func(a, b Happening) int {
		return cmp.Or(cmp.Compare(a.When.Earliest, b.When.Earliest), cmp.Compare(a.When.Latest, b.When.Latest), cmp.Compare(a.What, b.What), cmp.Compare(first(a.Evidence), first(b.Evidence)))
	})
	return out
}

// PlacedFor says in words why the filter was placed, as far as the record tells: the event, or prevention, and what spoke against
// anticoagulation then. It is "" where the record tells nothing.
func (s *Situation) PlacedFor() string {
	var parts []string
	if index, ok := s.indexVTE(); ok {
		parts = append(parts, capital(index.sided())+", "+index.dayTold())
	} else if _, ok := s.prophylacticReason(); ok {
		parts = append(parts, "To prevent embolism, as the placement says")
	}
	var against []string
	for _, d := range s.adverse() {
		placed := s.Filter.Placed
		if !placed.Bounded() || !d.Day().Bounded() || d.Day().Earliest > placed.Latest.Add(s.Policy.IndexVTEAfterDays) || d.Day().Latest < placed.Earliest.Add(-s.Policy.IndexVTEBeforeDays) {
			continue
		}
		against = append(against, classWords(d.Class)+" ("+d.Label+"), "+d.Day().String())
	}
	slices.Sort(against)
	if len(against) > 0 {
		parts = append(parts, "Against anticoagulation then: "+strings.Join(slices.Compact(against), "; "))
	}
	return strings.Join(parts, ". ")
}

// adverse lists what speaks or spoke against anticoagulation, by asOf, whether or not it is over.
func (s *Situation) adverse() []Diagnosis {
	return slices.Concat(s.On(Bleed), s.On(Thrombocytopenia), s.On(BleedingDisorder))
}

// sided names an event with its side where its code has one.
func (d Diagnosis) sided() string {
	name := map[Class]string{PE: "pulmonary embolism", DVT: "deep vein thrombosis", CavalThrombosis: "thrombosis of the cava"}[d.Class]
	if side := d.side(); side != "" {
		name += ", " + side
	}
	return name + " (" + d.Label + ")"
}

// side reads the side of a vein from the last digit of an ICD-10-CM code of the groups I82.4 and I82.5; the subgroups for the tibial,
// calf and other veins count alike. ICD-10-CM, chapter 9: 1 right, 2 left, 3 both.
func (d Diagnosis) side() string {
	i := strings.Index(d.Label, "I82.")
	if i < 0 {
		return ""
	}
	code, _, _ := strings.Cut(d.Label[i:], " ")
	if len(code) != len("I82.4x1") || code[4] != '4' && code[4] != '5' {
		return ""
	}
	return map[byte]string{'1': "right", '2': "left", '3': "both sides"}[code[6]]
}

func classWords(c Class) string {
	return map[Class]string{Bleed: "bleed", Thrombocytopenia: "low platelets", BleedingDisorder: "bleeding disorder"}[c]
}

// capital makes the first letter a capital one; the texts begin with a letter of ours.
func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}
