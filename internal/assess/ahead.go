package assess

import (
	"dwellwatch/internal/chart"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// outlook is all that the answers of one patient rest on, whatever the day.
type outlook struct {
	reading chart.Reading
	known   []filter.KnownKey
	mint    func(filter.Ref) string
	basis   Basis
	book    rules.Book
	room    *Room
}

// history gives what happened by a day, and the first day on which that can be another.
func (o *outlook) history(on filter.Day) (filter.History, filter.Day) {
	clock := filter.NewClock(on)
	p := filter.Params{SamePlacementDays: o.basis.Policy.SamePlacementDays, MaybeSameDays: o.basis.Policy.MaybeSameDays}
	h := filter.Reconstruct(o.reading.Events, o.known, p, clock, o.mint)
	return h, clock.Next()
}

// judge judges one filter of a history on the clock's day.
func (o *outlook) judge(s *rules.Situation, h filter.History, at int, book rules.Book, clock *filter.Clock) rules.Judgement {
	facts := o.reading.Facts
	facts.Neighbours = neighbours(h.Filters, h.Filters[at].Key)
	return book.EvaluateIn(s, h.Filters[at], facts, &o.basis.Policy, clock)
}

// answer is the judgement of one filter on the day asked, with its plan.
type answer struct {
	rules.Judgement
	plan    *plan.Plan // nil where the verdict wants none
	holds   filter.Day // the first day on which the judgement can be another while the history is not
	planned filter.Day // the first day on which the plan can be, while the judgement comes to the same
	changes filter.Day // the first day on which what changesOn promises is another; MaxDay for none
}

// propose makes the plan on a day for a judgement of that day.
func (a *answer) propose(m *Room, j rules.Judgement, h filter.History, on filter.Day) *plan.Plan {
	j.Situation.Clock = filter.NewClock(on)
	p := m.plans().Propose(j, alone(h))
	a.planned = j.Situation.Clock.Next()
	return p
}

// answers judges all filters of a history of a day.
func (o *outlook) answers(h filter.History, on filter.Day) []answer {
	out := make([]answer, len(h.Filters))
	for i := range h.Filters {
		clock := filter.NewClock(on)
		a := &out[i]
		a.Judgement = o.judge(o.room.situation(), h, i, o.book, clock)
		a.holds, a.changes = clock.Next(), filter.MaxDay
		a.plan = a.propose(o.room, a.Judgement, h, on)
	}
	return out
}

// ahead walks the days on which an answer can change, notes in each answer the first on which it does, and gives the first on which
// any does or the set of filters is another (MaxDay for none). Before the day that a clock names next none of its comparisons flips,
// so that what it was asked for holds until then.
func (o *outlook) ahead(h filter.History, until filter.Day, today []answer) filter.Day {
	// Keys minted today must be the keys of tomorrow, or a merge to come would look like another filter.
	o.keep(h.Filters)
	book := o.book.Outline()
	first := filter.MaxDay
	open := make([]*answer, len(today)) // those of which no change is found yet
	for i := range today {
		open[i] = &today[i]
	}
	for len(open) > 0 || first == filter.MaxDay {
		day := until
		for _, a := range open {
			day = min(day, a.holds, a.planned)
		}
		if day == filter.MaxDay {
			break
		}
		told := day >= until
		if told {
			h, until = o.history(day)
		}
		still := open[:0]
		for _, a := range open {
			if !told && min(a.holds, a.planned) > day || !o.changed(a, h, told, book, day) {
				still = append(still, a)
				continue
			}
			a.changes = day
			first = min(first, day)
		}
		open = still
		if first == filter.MaxDay && len(h.Filters) != len(today) {
			first = day
		}
	}
	return first
}

// keep adds the keys of filters to the known ones.
func (o *outlook) keep(filters []filter.Filter) {
	known := make([]filter.KnownKey, len(o.known), len(o.known)+len(filters))
	copy(known, o.known)
	for _, f := range filters {
		if !knows(known, f.Key) {
			known = append(known, filter.KnownKey{Key: f.Key, Evidence: f.Own})
		}
	}
	o.known = known
}

func knows(known []filter.KnownKey, key string) bool {
	for i := range known {
		if known[i].Key == key {
			return true
		}
	}
	return false
}

// changed reports whether the history of a later day, which is told anew or the one of before, gives another answer for the same key;
// where it does not, it notes until when that holds.
func (o *outlook) changed(was *answer, h filter.History, told bool, book rules.Book, day filter.Day) bool {
	key := was.Situation.Filter.Key
	for i := range h.Filters {
		if h.Filters[i].Key != key {
			continue
		}
		clock := filter.NewClock(day)
		j := o.judge(o.room.passing(), h, i, book, clock)
		if !sameAnswer(was.Judgement, j) {
			return true
		}
		was.holds = clock.Next()
		if !told && day < was.planned && was.Emergency == j.Emergency && was.Situation.Agrees(j.Situation) {
			return false
		}
		return !plan.Same(was.plan, was.propose(o.room, j, h, day))
	}
	return true
}

// sameAnswer compares what changesOn promises of one filter but for its plan: how it stands, verdict, and which rules found something.
func sameAnswer(a, b rules.Judgement) bool {
	s, t := a.Situation, b.Situation
	return s.Filter.Standing == t.Filter.Standing && s.Window == t.Window && s.Indication.Status == t.Indication.Status && s.Anticoagulation.Level == t.Anticoagulation.Level &&
		a.Verdict == b.Verdict && a.Overdue == b.Overdue && sameRules(a.Findings, b.Findings)
}

// sameRules compares which rules found something. Findings are in the order of the rules, those of one rule beside each other.
func sameRules(a, b []rules.Finding) bool {
	for len(a) > 0 && len(b) > 0 {
		if a[0].Rule != b[0].Rule {
			return false
		}
		a, b = afterRule(a), afterRule(b)
	}
	return len(a) == len(b)
}

// afterRule leaves out the findings of the first rule.
func afterRule(findings []rules.Finding) []rules.Finding {
	for i := range findings {
		if findings[i].Rule != findings[0].Rule {
			return findings[i:]
		}
	}
	return nil
}

// neighbours gives the patient's other filters.
func neighbours(filters []filter.Filter, key string) []rules.Neighbour {
	var out []rules.Neighbour
	for _, f := range filters {
		if f.Key == key {
			continue
		}
		n := rules.Neighbour{Own: f.Own, Placed: f.Placed, Removed: f.Removed, Out: f.Standing == filter.StandingRemoved}
		for _, e := range f.Events {
			if e.Kind == filter.Removal || e.Kind == filter.PartialRemoval || e.Kind == filter.Attempt {
				n.Tried = append(n.Tried, e.When)
			}
		}
		out = append(out, n)
	}
	return out
}

// others counts the filters beside one that are or may be in.
func others(h filter.History, key string) int {
	n := 0
	for _, f := range h.Filters {
		if f.Key != key && f.Standing != filter.StandingRemoved {
			n++
		}
	}
	return n
}

// alone reports whether at most one filter of the patient is or may be in.
func alone(h filter.History) bool {
	in := 0
	for _, f := range h.Filters {
		if f.Standing != filter.StandingRemoved {
			in++
		}
	}
	return in <= 1
}
