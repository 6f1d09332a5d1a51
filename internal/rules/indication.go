package rules

import (
	"fmt"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Status says whether the reason for the filter still stands.
type Status string

const (
	Resolved       Status = "resolved"
	LikelyResolved Status = "likely-resolved"
	StillIndicated Status = "still-indicated"
	StatusUnknown  Status = "unknown"
)

// Indication is the status with the words and entries behind it.
type Indication struct {
	Status   Status
	Text     string
	Evidence []filter.Ref
	// LookAgain is the day on which the status should be looked at again by its own rule; MaxDay where it has none.
	LookAgain filter.Day
	// IndexKnown and IndexPE say what is known of the event the filter was placed for.
	IndexKnown, IndexPE bool
	indexEvidence       []filter.Ref
	index               string // the event in words, e.g. "deep vein thrombosis, 2024-05-01"
}

const indicationSource = "SIR consensus on discontinuing filtration, Kaufman et al., JVIR 2006;17:449-459"

// indication tests resolved, likely-resolved and still-indicated in this order; the rest is unknown. A clause "no ..."
// holds where no such record exists; the end of a contraindication never follows from silence.
func (s *Situation) indication() Indication {
	index, known := s.index, s.indexKnown
	i := Indication{Status: StatusUnknown, LookAgain: filter.MaxDay, IndexKnown: known, IndexPE: known && index.Class == PE, indexEvidence: index.Evidence}
	if known {
		i.index = index.words()
	}
	if got, ok := s.reassessed(i); ok {
		return got
	}
	i.Text = "The record does not say whether the reason for the filter has passed."
	for _, test := range []func(Indication, contraindications) (Indication, bool){s.resolved, s.likelyResolved, s.stillIndicated} {
		if got, ok := test(i, s.against); ok {
			if got.Status != Resolved {
				got.Evidence = slices.Concat(got.Evidence, s.riskBlockers())
			}
			return got
		}
	}
	c := s.against
	i.Evidence = slices.Concat(s.Anticoagulation.Evidence, evidenceOf(c.active), c.labs, evidenceOf(c.unknown), s.blockers(c), s.riskBlockers(), s.Permanence.overruling)
	switch {
	case len(c.active) > 0:
		i.Text = "A contraindication to anticoagulation stands (" + labelsOf(c.active) + "), and the record does not say whether the reason for the filter has passed."
	case len(c.unknown) > 0:
		i.Text = "A contraindication is on record and no entry says that it has ended."
	}
	i.Text = strings.TrimSpace(i.Text + " " + s.Anticoagulation.words())
	return i
}

func (s *Situation) resolved(i Indication, c contraindications) (Indication, bool) {
	a := s.Anticoagulation
	if s.therapeuticFor(s.Policy.TherapeuticDays) && len(s.laterBleeds(a.Since)) == 0 && len(s.plannedSurgery()) == 0 {
		i.Status = Resolved
		i.Text = fmt.Sprintf("Therapeutic anticoagulation (%s) has run unbroken since %s, no later bleed and no interruption or surgery booked.", a.Agent, a.Since)
		i.Evidence = a.cover
		return i, true
	}
	if done := a.Finished; s.courseDone() && len(c.since(s, done.Start).active) == 0 && len(c.since(s, done.Start).unknown) == 0 && len(s.acuteNew()) == 0 {
		i.Status = Resolved
		i.Text = fmt.Sprintf("A course of therapeutic anticoagulation from %s to %s is finished and no contraindication since is on record.", done.Start, done.End)
		i.Evidence = done.Evidence
		return i, true
	}
	return s.riskEnded(i)
}

// blockers lists cover, a finished course and an ended contraindication that would settle the indication, with what keeps
// each from doing so.
func (s *Situation) blockers(c contraindications) []filter.Ref {
	a := s.Anticoagulation
	var out []filter.Ref
	if s.therapeuticFor(s.Policy.TherapeuticSomeDays) {
		out = slices.Concat(out, a.cover, evidenceOf(s.laterBleeds(a.Since)), s.plannedSurgery())
	}
	if s.courseDone() {
		young := c.since(s, a.Finished.Start)
		out = slices.Concat(out, a.Finished.Evidence, evidenceOf(young.active), young.labs, evidenceOf(young.unknown), evidenceOf(s.acuteNew()))
		if len(young.active) > 0 {
			out = slices.Concat(out, s.acuteEvidence())
		}
	}
	if done := a.Finished; done != nil && s.afterIndex(done) && !s.courseDone() && s.longEnough(done, done.Start.Latest) {
		out = slices.Concat(out, done.Evidence, s.index.Evidence) // of the event it treated too little
	}
	if len(c.ended) > 0 && s.relevantEnd(c) {
		out = slices.Concat(out, evidenceOf(c.ended), a.Evidence, evidenceOf(c.active), c.labs, evidenceOf(c.unknown))
	}
	return out
}

// riskBlockers lists what keeps a placement to prevent embolism from counting as one whose risk has ended.
func (s *Situation) riskBlockers() []filter.Ref {
	if _, ok := s.prophylacticReason(); !ok {
		return nil
	}
	var index []filter.Ref
	if s.indexKnown {
		index = s.index.Evidence
	}
	acute := evidenceOf(s.acuteVTEs())
	if s.riskOver() {
		return slices.Concat(index, s.plannedSurgery(), acute)
	}
	if mobile := s.mobile(); len(mobile) > 0 {
		return slices.Concat(index, s.plannedSurgery(), mobile, acute)
	}
	if left := s.discharged(); len(left) > 0 {
		return slices.Concat(index, s.plannedSurgery(), left, acute)
	}
	return nil
}

// discharged gives the first discharge after the placement; one for hospice care, or by death, is none.
func (s *Situation) discharged() []filter.Ref {
	for _, d := range s.Facts.Discharges {
		if slices.ContainsFunc(d.Evidence, func(e filter.Ref) bool { return slices.Contains(s.Facts.Departures, e) }) {
			continue
		}
		if s.Clock.Reached(d.When.Earliest) && s.Filter.Placed.Known() && d.When.Earliest >= s.Filter.Placed.Earliest {
			return d.Evidence
		}
	}
	return nil
}

// mobile gives the first entry that says, on a day after the placement, that the patient moves again or the risk has passed.
func (s *Situation) mobile() []filter.Ref {
	for _, m := range s.Facts.Mobility {
		if s.Filter.Placed.Bounded() && m.When.Earliest > s.Filter.Placed.Latest && s.Clock.Reached(m.When.Earliest) {
			return m.Evidence
		}
	}
	return nil
}

// courseDone reports a finished course long enough to have treated the event the filter was placed for.
func (s *Situation) courseDone() bool {
	done := s.Anticoagulation.Finished
	return done != nil && s.afterIndex(done) && s.longEnough(done, s.coverFrom(done))
}

// longEnough reports a cover that has lasted as long as a course from a day on.
func (s *Situation) longEnough(c *Cover, from filter.Day) bool {
	return c.End.Earliest >= from.AddMonths(s.Policy.CourseMonths).Add(-1)
}

// riskOver reports that the placement, and so the risk it was for, lies more than the policy's days back.
func (s *Situation) riskOver() bool {
	return s.Filter.Placed.Bounded() && s.Clock.AtLeast(s.Filter.Placed.Latest, s.Policy.ProphylacticRiskDays+1)
}

// riskEnded handles a prophylactic placement, as its own reason says; no VTE on record is unknown, not prophylactic.
func (s *Situation) riskEnded(i Indication) (Indication, bool) {
	reason, ok := s.prophylactic()
	if !ok {
		return i, false
	}
	if mobile := s.mobile(); len(mobile) > 0 && len(s.plannedSurgery()) == 0 {
		i.Status, i.Text, i.Evidence = Resolved, "Placed to prevent embolism; mobility or the end of the risk is documented.", slices.Concat(reason.Evidence, mobile)
		return i, true
	}
	if s.riskOver() && len(s.plannedSurgery()) == 0 {
		i.Status = Resolved
		i.Text = fmt.Sprintf("Placed to prevent embolism; the risk event lies more than %d days back and no surgery is planned.", s.Policy.ProphylacticRiskDays)
		i.Evidence = reason.Evidence
		return i, true
	}
	return i, false
}

func (s *Situation) likelyResolved(i Indication, c contraindications) (Indication, bool) {
	a := s.Anticoagulation
	if s.therapeuticFor(s.Policy.TherapeuticSomeDays) && len(s.laterBleeds(a.Since)) == 0 && len(s.plannedSurgery()) == 0 && !s.therapeuticFor(s.Policy.TherapeuticDays) {
		i.Status = LikelyResolved
		i.Text = fmt.Sprintf("Therapeutic anticoagulation (%s) has run since %s, for two weeks but not yet three.", a.Agent, a.Since)
		i.Evidence = a.cover
		return i, true
	}
	// A contraindication that the record says has ended, with nothing known of treatment.
	if a.Level == LevelUnknown && len(c.ended) > 0 && len(c.active) == 0 && len(c.unknown) == 0 && s.relevantEnd(c) {
		i.Status, i.Text, i.Evidence = LikelyResolved, "The contraindication to anticoagulation has ended; treatment is not known.", evidenceOf(c.ended)
		return i, true
	}
	if done := a.Finished; s.courseDone() && len(c.since(s, done.Start).active) > 0 && len(s.acuteVTEs()) == 0 {
		young := c.since(s, done.Start)
		i.Status, i.Text, i.Evidence = LikelyResolved, fmt.Sprintf("A course of therapeutic anticoagulation from %s to %s is finished, no acute thromboembolism, and a new contraindication stands.", done.Start, done.End), slices.Concat(done.Evidence, evidenceOf(young.active), young.labs)
		return i, true
	}
	if reason, ok := s.prophylactic(); ok && len(s.plannedSurgery()) == 0 {
		if left := s.discharged(); len(left) > 0 {
			i.Status, i.Text, i.Evidence = LikelyResolved, "Placed to prevent embolism; the patient has been discharged, which alone does not prove that the risk has passed.", slices.Concat(reason.Evidence, left)
			return i, true
		}
	}
	return i, false
}

func (s *Situation) stillIndicated(i Indication, c contraindications) (Indication, bool) {
	a := s.Anticoagulation
	acute := s.acuteVTEs()
	if len(acute) > 0 && len(c.active) > 0 {
		i.Status = StillIndicated
		i.Text = "Acute thromboembolism and an active contraindication to anticoagulation."
		i.Evidence = slices.Concat(s.acuteEvidence(), evidenceOf(c.active), c.labs)
		return i, true
	}
	if len(acute) > 0 && a.Level == Therapeutic && !s.therapeuticFor(s.Policy.TherapeuticSomeDays) {
		i.Status = StillIndicated
		i.Text = fmt.Sprintf("Acute thromboembolism; therapeutic anticoagulation (%s) only since %s.", a.Agent, a.Since)
		i.Evidence = slices.Concat(s.acuteEvidence(), a.cover)
		if a.Since.Bounded() {
			i.LookAgain = a.Since.Latest.Add(s.Policy.TherapeuticSomeDays)
		}
		return i, true
	}
	if s.Permanence.Plan {
		i.Status, i.Text, i.Evidence = StillIndicated, "A documented decision says that the filter is to stay.", s.Permanence.Evidence
		return i, true
	}
	return i, false
}

// labelsOf names diagnoses for people, with their days.
func labelsOf(ds []Diagnosis) string {
	var out []string
	for _, d := range ds {
		out = append(out, d.Label+", "+d.Day().String())
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), "; ")
}

// laterBleeds lists bleeds that began after cover did; a contraindication older than the cover counts as ended.
func (s *Situation) laterBleeds(since filter.Span) []Diagnosis {
	var out []Diagnosis
	for _, d := range s.Facts.Diagnoses {
		if d.Class == Bleed && !d.Later && s.Clock.Reached(d.Day().Earliest) && d.Day().Latest > since.Earliest {
			out = append(out, d)
		}
	}
	return out
}

// acuteNew lists new events that are acute: a finished course before them settles nothing.
func (s *Situation) acuteNew() []Diagnosis {
	var out []Diagnosis
	for _, d := range s.newVTEs() {
		if s.acute(d) {
			out = append(out, d)
		}
	}
	return out
}

// afterIndex reports whether a finished cover treated the event the filter was placed for, not an earlier one.
func (s *Situation) afterIndex(c *Cover) bool {
	from := s.Filter.Placed.Earliest.Add(-s.Policy.IndexVTEBeforeDays)
	return !s.Filter.Placed.Known() || c.End.Earliest >= from
}

// coverFrom gives the day from which a finished cover treated the event the filter was placed for: a cover for something
// else that began earlier counts from the event on, and from the last day on which that can have begun.
func (s *Situation) coverFrom(c *Cover) filter.Day {
	from := c.Start.Latest
	if s.indexKnown && s.index.Day().Bounded() {
		from = max(from, s.index.Day().Latest)
	}
	return from
}

// relevantEnd reports whether an ended contraindication stood when the filter was placed or after.
func (s *Situation) relevantEnd(c contraindications) bool {
	for _, d := range c.ended {
		if !d.Ended.Known() || !s.Filter.Placed.Known() || d.Ended.Latest >= s.Filter.Placed.Earliest {
			return true
		}
	}
	return false
}

// prophylactic gives the placement's own reason where it says prophylaxis, no event was the index and none is acute now: the risk
// that came true has not ended.
func (s *Situation) prophylactic() (Reason, bool) {
	if s.indexKnown || len(s.acuteVTEs()) > 0 {
		return Reason{}, false
	}
	return s.prophylacticReason()
}

func (s *Situation) prophylacticReason() (Reason, bool) {
	for _, r := range s.why {
		if r.Prophylactic && r.VTE == "" {
			return r, true
		}
	}
	return Reason{}, false
}

func indicationRules() []Rule {
	check := func(status Status) func(*Situation) []Finding {
		return func(s *Situation) []Finding {
			if s.Indication.Status != status || s.out() {
				return nil
			}
			text := s.Indication.Text
			if s.Indication.IndexKnown {
				text += " The filter was placed for: " + s.Indication.index + "."
			}
			found := s.find(text, s.Indication.Evidence, s.Indication.indexEvidence)
			if status == StatusUnknown {
				return s.byValues(found)
			}
			return found
		}
	}
	return []Rule{
		{"indication-resolved", "The reason for the filter has passed", indicationSource, policy.Memory, check(Resolved)},
		{"indication-likely-resolved", "The reason for the filter has probably passed", indicationSource, policy.Memory, check(LikelyResolved)},
		{"indication-still-present", "The reason for the filter still stands", "SIR multisociety guideline 2020: filter where acute VTE cannot be anticoagulated", policy.SecondHand, check(StillIndicated)},
		{"indication-unknown", "The record does not settle the reason for the filter", "FDA safety communication of 2010 and 2014: review every filter for removal once protection is no longer needed", policy.Seen, check(StatusUnknown)},
	}
}
