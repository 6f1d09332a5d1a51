// Package rules says what follows from a filter's history and the patient's facts: findings with their sources, the state
// of window, indication and anticoagulation, and one verdict. It is pure: no clock (asOf comes with filter.Clock), no I/O,
// no FHIR, no SQL. It never orders anything: a verdict is a draft for a clinician.
package rules

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Rule is one thing to look for. Check gives nothing where the rule does not apply.
type Rule struct {
	ID     string
	Title  string
	Source string // published source, or what kind of statement it is
	Known  policy.How
	Check  func(*Situation) []Finding
}

// Finding is what a rule says of one filter, with the record entries it used. Removing any listed entry changes it.
type Finding struct {
	Rule string
	Text string
	// By says in words which measured values decided what the text says, or left it open; "" where none did. It stands apart because a
	// value that is measured again, and decides as the one before, says nothing new.
	By       string
	Evidence []filter.Ref
	Source   string
	Known    policy.How
}

// All lists every rule in the order in which findings are printed.
func All() []Rule {
	return slices.Concat(standingRules(), doubtRules(), windowRules(), indicationRules(), anticoagulationRules(), complicationRules(),
		permanenceRules(), careRules())
}

// find makes one finding from a text and the entries it stands on. The entries of the filter's history are always among
// them, because every finding is about that filter, and so are those that put its history in doubt.
func (s *Situation) find(text string, evidence ...[]filter.Ref) []Finding {
	if s.outline {
		return []Finding{{Text: text}}
	}
	n := len(s.base)
	for _, e := range evidence {
		n += len(e)
	}
	all := append(make([]filter.Ref, 0, n), s.base...)
	for _, e := range evidence {
		all = append(all, e...)
	}
	slices.Sort(all)
	return []Finding{{Text: text, Evidence: slices.Compact(all)}}
}

// byValues adds to findings that speak of the level of anticoagulation which values decided it.
func (s *Situation) byValues(found []Finding) []Finding {
	for i := range found {
		found[i].By = strings.Join(s.Anticoagulation.Measured, " and ")
	}
	return found
}

// history lists the entries of the filter's history and those that put it in doubt.
func (s *Situation) history() []filter.Ref {
	all := slices.Concat(s.Filter.Evidence, s.Filter.Tied)
	for _, c := range s.Filter.Contradictions {
		all = append(all, c.Evidence...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// Situation is one filter with everything the rules need to judge it.
type Situation struct {
	Filter filter.Filter
	Facts  Facts
	Policy *policy.Policy
	Clock  *filter.Clock

	Window          Window
	Indication      Indication
	Anticoagulation Anticoagulation
	Complications   []Complication
	Permanence      Permanence
	Asked           Asked
	LifeLimit       []filter.Ref // entries of limited life expectancy
	Dead            []filter.Ref // entries that say that the patient died; nil while alive
	UntreatedVTE    []filter.Ref // entries of an acute VTE without therapeutic anticoagulant or active contraindication
	Conflict        []filter.Ref // entries of an active bleed beside a therapeutic anticoagulant
	HaemoglobinFall []filter.Ref // entries of a recent fall in haemoglobin

	outline bool // findings need no evidence

	// What several questions ask again is answered once: what withReasons, reasons, indexVTE and contraindications give.
	told       []Diagnosis
	why        []Reason
	index      Diagnosis
	indexKnown bool
	against    contraindications
	tellers    []filter.Ref // entries that tell of an event which the placement names by its code, in place of the placement
	// base is what every finding stands on.
	base []filter.Ref
	// found is the judgement's findings, whose memory the next judgement in this situation takes over.
	found []Finding
}

// Agrees reports whether two situations of one history and one record come to the same in all that a plan rests on beside these: the
// days that a plan compares with asOf are its own.
func (s *Situation) Agrees(t *Situation) bool {
	return len(s.told) == len(t.told) && s.Anticoagulation.Level == t.Anticoagulation.Level && slices.Equal(s.Anticoagulation.Evidence, t.Anticoagulation.Evidence) &&
		slices.EqualFunc(s.Complications, t.Complications, func(a, b Complication) bool {
			return a.Rule == b.Rule && a.Weight == b.Weight && a.Emergency == b.Emergency && a.Symptom == b.Symptom && a.Severe == b.Severe && a.Text == b.Text && a.When == b.When && slices.Equal(a.Evidence, b.Evidence)
		}) && s.Permanence.Plan == t.Permanence.Plan && slices.Equal(s.Permanence.Evidence, t.Permanence.Evidence) && slices.Equal(s.LifeLimit, t.LifeLimit) &&
		slices.Equal(s.UntreatedVTE, t.UntreatedVTE) && slices.Equal(s.Conflict, t.Conflict)
}

// Judgement is the answer for one filter.
type Judgement struct {
	Situation           *Situation
	Findings            []Finding
	Missing             []Missing
	Verdict             Verdict
	Headline            string
	Overdue             bool
	ReassessmentOverdue bool
	Emergency           bool
	// LookAgain is the rule's own day to look again, MaxDay where it has none.
	LookAgain filter.Day
}

// Missing is something the record does not hold and the judgement would have used.
type Missing struct{ What, Text string }

// Book is the rules in hand, made once for many judgements.
type Book struct {
	rules   []Rule
	outline bool
}

// NewBook gives a book of all rules.
func NewBook() Book { return Book{rules: All()} }

// Filled gives the book itself, and for the zero Book one of all rules.
func (b Book) Filled() Book {
	if b.rules == nil {
		return NewBook()
	}
	return b
}

// Outline gives a book for those who ask only what the answer is: its findings have no evidence, and what is missing is not listed.
func (b Book) Outline() Book { return Book{rules: b.rules, outline: true} }

// Evaluate judges one filter on the clock's day by the rules of a book.
func (b Book) Evaluate(f filter.Filter, facts Facts, p policy.Policy, clock *filter.Clock) Judgement {
	return b.EvaluateIn(new(Situation), f, facts, &p, clock)
}

// EvaluateIn is Evaluate with a situation that is written over, findings and all, and is the judgement's.
func (b Book) EvaluateIn(s *Situation, f filter.Filter, facts Facts, p *policy.Policy, clock *filter.Clock) Judgement {
	clear(s.found)
	*s = Situation{Filter: f, Facts: facts, Policy: p, Clock: clock, outline: b.outline, found: s.found[:0]}
	s.Facts.Diagnoses = settled(facts.Diagnoses, clock)
	s.why = s.reasons()
	s.told = s.withReasons(s.vtes())
	s.index, s.indexKnown = s.indexVTE()
	s.against = s.contraindications()
	s.Window = s.window()
	s.Dead = s.dead()
	s.LifeLimit = s.lifeLimit()
	s.Permanence = s.permanence()
	s.Anticoagulation = s.anticoagulation()
	s.Indication = s.indication()
	s.Complications = s.complications()
	s.contradict()
	s.Asked = s.asked()
	s.UntreatedVTE = s.untreated()
	s.Conflict = s.conflict()
	s.HaemoglobinFall = s.haemoglobinFall()
	s.reopenIndication()

	if !b.outline {
		s.base = s.history()
	}
	j := Judgement{Situation: s, LookAgain: filter.MaxDay}
	j.Verdict, j.Headline = s.verdict()
	j.Emergency = j.Verdict == Urgent && slices.ContainsFunc(s.Complications, func(c Complication) bool { return c.Emergency })
	j.Overdue = s.overdue(j.Verdict)
	j.ReassessmentOverdue = s.reassessmentOverdue()
	j.LookAgain = s.lookAgain(j.Verdict)
	j.Findings = slices.Grow(s.found, 8)
	for _, r := range b.rules {
		for _, found := range r.Check(s) {
			found.Rule, found.Source, found.Known = r.ID, r.Source, r.Known
			j.Findings = append(j.Findings, found)
		}
	}
	s.found = j.Findings
	if !b.outline {
		j.Missing = s.missing()
	}
	return j
}
