package rules

import (
	"cmp"
	"slices"

	"dwellwatch/internal/filter"
)

func vitaminK(agent string) bool {
	return agent == "warfarin" || agent == "acenocoumarol" || agent == "phenprocoumon"
}

// The range in which a vitamin K antagonist treats (clinical.md 4.3).
const inrLow, inrHigh = 2.0, 3.0

// gradeINR grades a vitamin K antagonist: it treats where the latest INR measured under it is in range and not too old. Its cover
// begins on the day of the first INR in range from which on none was below the range and none came later than inr_days after the one
// before; tablets alone cover nobody. An INR above the range is no lack of cover: it does not break it, but none begins with it, and
// as the latest one it leaves the level open. An INR from before the course says nothing of it. No source gives the day on which
// cover begins: this is a design choice, the most careful of the simple readings.
func (s *Situation) gradeINR(g graded) graded {
	from, before := s.underVitaminK(g.Course)
	inrs := s.inrsOf(g.Course, from)
	if len(inrs) == 0 {
		return g
	}
	latest := inrs[len(inrs)-1]
	if !s.fresh(latest, g.Course, s.Policy.INRDays) {
		return g
	}
	g.measured = "INR " + latest.Told() + " on " + latest.Day.String()
	if !latest.reaches(inrLow) || !latest.atMost(inrHigh) {
		return g.by(before, latest)
	}
	run := inrs[:0:0]
	for _, l := range inrs {
		if n := len(run); !l.reaches(inrLow) || n > 0 && int(l.Day.Latest-run[n-1].Day.Earliest) > s.Policy.INRDays {
			run = run[:0]
		}
		if l.reaches(inrLow) && (len(run) > 0 || l.atMost(inrHigh)) {
			run = append(run, l)
		}
	}
	// Of a long row of values those are told that hold it together: from each the farthest that is near enough.
	var held []Lab
	for i, next := 0, 0; i < len(run); i = next {
		held = append(held, run[i])
		for next = i + 1; next+1 < len(run) && int(run[next+1].Day.Latest-run[i].Day.Earliest) <= s.Policy.INRDays; {
			next++
		}
	}
	g.level = Therapeutic
	g = g.by(before, held...)
	if g.Start.Bounded() {
		g.Start = run[0].Day
	}
	return g
}

// by adds the values that a level stands on, and the courses before this one where the first was measured before it.
func (g graded) by(before []filter.Ref, values ...Lab) graded {
	g.evidence = slices.Clone(g.Evidence)
	for _, l := range values {
		g.evidence = append(g.evidence, l.Evidence...)
	}
	if g.Start.Bounded() && values[0].Day.Earliest < g.Start.Latest {
		g.evidence = append(g.evidence, before...)
	}
	return g
}

// inrsOf lists the INRs measured from a day on, by asOf and by the end of an ended course; the latest is the last.
func (s *Situation) inrsOf(c Course, from filter.Day) []Lab {
	end, ended := s.ended(c)
	var out []Lab
	for i := range s.Facts.Labs {
		l := &s.Facts.Labs[i]
		if l.What == "inr" && l.Day.Bounded() && s.Clock.Reached(l.Day.Latest) && l.Day.Earliest >= from && !(ended && l.Day.Latest > end) {
			out = append(out, *l)
		}
	}
	slices.SortFunc(out, func(a, b Lab) int {
		return cmp.Or(cmp.Compare(a.Day.Latest, b.Day.Latest), cmp.Compare(first(a.Evidence), first(b.Evidence)))
	})
	return out
}

// underVitaminK gives the day from which on an INR was measured under a course: its first, or that of a course of the same agent
// which it follows without a break, as a new order follows an old one. before is what tells of those.
func (s *Situation) underVitaminK(c Course) (from filter.Day, before []filter.Ref) {
	if !c.Start.Bounded() {
		return filter.MinDay, nil
	}
	from = c.Start.Latest
	for again := true; again; {
		again = false
		for _, o := range s.Facts.Courses {
			if o.Agent != c.Agent || o.Never || o.Unsure || !o.Start.Bounded() || o.Start.Latest >= from || certainEnd(o).Add(s.Policy.CoverGapDays+1) < from {
				continue
			}
			if end, over := s.ended(o); over && end >= filter.MaxDay || s.stale(o) {
				continue
			}
			from, before, again = o.Start.Latest, append(before, o.Evidence...), true
		}
	}
	return from, before
}
