package rules

import (
	"fmt"
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Asked says whether somebody has been asked to take the filter out.
type Asked struct {
	State    string // none | drafted | requested | booked | declined
	ByOthers bool   // a request or appointment that is not our own Task
	Evidence []filter.Ref
}

// asked reads requests and appointments made by anyone, and our own Task as the record shows it.
func (s *Situation) asked() Asked {
	a := Asked{State: "none"}
	for _, o := range s.Facts.Orders {
		if !s.Clock.Reached(o.Made.Earliest) || s.answered(o) || s.forgotten(o) {
			continue
		}
		if o.Booked {
			if o.For.Known() && s.Clock.Reached(o.For.Latest.Add(1)) {
				continue
			}
			if a.State != "booked" {
				a.Evidence = nil
			}
			a.State, a.ByOthers = "booked", true
			a.Evidence = append(a.Evidence, o.Evidence...)
			continue
		}
		if a.State != "booked" {
			a.State, a.ByOthers = "requested", true
			a.Evidence = append(a.Evidence, o.Evidence...)
		}
	}
	if a.State != "none" {
		slices.Sort(a.Evidence)
		return a
	}
	for _, t := range s.Facts.OwnTasks {
		if t.Key != s.Filter.Key {
			continue
		}
		switch t.Status {
		case "draft":
			a.State = "drafted"
		case "requested", "received", "accepted", "ready", "in-progress", "on-hold":
			a.State = "requested"
		case "rejected":
			a.State = "declined"
		default:
			continue
		}
		a.Evidence = []filter.Ref{t.Ref}
	}
	return a
}

// answered reports whether a request cannot be waiting for this filter: it was made before a later retrieval, whole, in part or in
// vain, or before the placement; or it names another filter and not this one. One that names none may have been for the filter
// that was then retrieved: asking twice is the lesser fault.
func (s *Situation) answered(o Order) bool {
	later := func(when filter.Span) bool {
		return when.Bounded() && o.Made.Bounded() && when.Earliest > o.Made.Latest && s.Clock.Reached(when.Earliest)
	}
	if slices.ContainsFunc(s.Filter.Events, func(e filter.Event) bool {
		return slices.Contains([]filter.Kind{filter.Attempt, filter.Placement, filter.PartialRemoval, filter.Removal}, e.Kind) && later(e.When)
	}) {
		return true
	}
	if slices.ContainsFunc(s.Facts.NotAttempted, func(n NotAttempted) bool { return later(n.When) }) {
		return true // it came to nothing, and was to be asked anew
	}
	names := func(own []filter.Ref) bool {
		return slices.ContainsFunc(o.Of, func(ref filter.Ref) bool { return slices.Contains(own, ref) })
	}
	return !names(s.Filter.Own) && slices.ContainsFunc(s.Facts.Neighbours, func(n Neighbour) bool {
		return names(n.Own) || slices.ContainsFunc(n.Tried, later)
	})
}

// forgotten reports a request, or a booking without a day, that has not been carried out for so long that nobody may rely on
// it. A booking with no day at all, neither of the slot nor of its making, is nothing to rely on either.
func (s *Situation) forgotten(o Order) bool {
	if o.Booked && (o.For.Known() || !o.Made.Bounded()) {
		return !o.For.Known()
	}
	return o.Made.Bounded() && s.Clock.AtLeast(o.Made.Latest, s.Policy.RequestDays+1)
}

func (s *Situation) dead() []filter.Ref {
	d := s.Facts.Deceased
	if d == nil || d.When.Known() && !s.Clock.Reached(d.When.Earliest) {
		return nil
	}
	return d.Evidence
}

func (s *Situation) lifeLimit() []filter.Ref {
	var out []filter.Ref
	for _, d := range s.Facts.Diagnoses {
		if d.Class == Palliative && !d.Inactive && s.Clock.Reached(d.Day().Earliest) && !(d.Ended.Known() && s.Clock.Reached(d.Ended.Latest)) {
			out = append(out, d.Evidence...)
		}
	}
	return out
}

func careRules() []Rule {
	return []Rule{
		{"retrieval-overdue", "Past the window, the reason has passed, and it is still in", "FDA safety communications of 2010 and 2014: consider removal as soon as protection is no longer needed", policy.Seen, func(s *Situation) []Finding {
			v, _ := s.verdict()
			if !s.overdue(v) {
				return nil
			}
			var urgent []filter.Ref
			for _, c := range s.Complications {
				if c.Weight == IsUrgent {
					urgent = append(urgent, c.Evidence...)
				}
			}
			text := "The retrieval is overdue: the window has ended and the reason for the filter has passed. " + s.Indication.Text
			if s.Indication.IndexKnown {
				text += " It was placed for: " + s.Indication.index + "."
			}
			if len(urgent) > 0 {
				text += " A complication makes it urgent."
			}
			var held []filter.Ref
			if acute := s.acuteVTEs(); len(acute) > 0 && s.Anticoagulation.Level != Therapeutic && len(s.against.active) > 0 {
				text += " An acute VTE stands without a therapeutic anticoagulant on record, and so does what speaks against one (" + labelsOf(s.against.active) + ")."
				held = slices.Concat(evidenceOf(acute), evidenceOf(s.against.active), s.against.labs)
			}
			return s.find(text, s.Indication.Evidence, s.Indication.indexEvidence, urgent, held, s.Permanence.overruling)
		}},
		{"reassessment-overdue", "Past the window and nobody has settled whether it is still needed", "CMS quality measure 421: documented reassessment within 3 months of placement", policy.Seen, func(s *Situation) []Finding {
			if !s.reassessmentOverdue() {
				return nil
			}
			return s.byValues(s.find("The reassessment is overdue: the window has ended. "+s.Indication.Text, s.Indication.Evidence))
		}},
		{"life-expectancy-limited", "Documented limited life expectancy", "SIR consensus on discontinuing filtration, JVIR 2006 (condition d: life expectancy long enough to benefit)", policy.Memory, func(s *Situation) []Finding {
			if len(s.LifeLimit) == 0 || s.gone() || len(s.Dead) > 0 {
				return nil
			}
			return s.find("Hospice or palliative care is recorded as active; whether removal still helps is for the team and the patient.", s.LifeLimit)
		}},
		{"retrieval-attempt-failed", "An earlier retrieval failed", "Systematic review of advanced retrieval, Diagn Interv Radiol 2023;29:500-508: a prior failed attempt is a main reason for advanced technique", policy.Seen, func(s *Situation) []Finding {
			var refs []filter.Ref
			text := ""
			for _, e := range s.Filter.Events {
				if e.Kind == filter.Attempt {
					refs = append(refs, e.Evidence...)
					text += " " + e.When.String() + " (" + e.Why + ");"
				}
			}
			if len(refs) == 0 || s.gone() {
				return nil
			}
			return s.find("A retrieval was tried and did not take the filter out:"+text[:len(text)-1]+".", refs)
		}},
		{"retrieval-asked", "Somebody has asked for the retrieval", "design choice: an open request or appointment made by anyone is joined, not doubled", policy.Choice, func(s *Situation) []Finding {
			if !s.Asked.ByOthers || s.gone() {
				return nil
			}
			return s.find("A retrieval is already "+s.Asked.State+".", s.Asked.Evidence)
		}},
		{"retrieval-request-forgotten", "A request for the retrieval that nothing came of", "design choice: a request without an appointment does not silence the referral for ever", policy.Choice, func(s *Situation) []Finding {
			if s.Asked.ByOthers || s.gone() {
				return nil
			}
			var refs []filter.Ref
			booked := false
			for _, o := range s.Facts.Orders {
				if s.Clock.Reached(o.Made.Earliest) && !s.answered(o) && s.forgotten(o) {
					refs = append(refs, o.Evidence...)
					booked = booked || o.Booked
				}
			}
			if len(refs) == 0 {
				return nil
			}
			if booked {
				return s.find(fmt.Sprintf("A retrieval was booked without a day, and not within the last %d days; nothing on record says that it came about.", s.Policy.RequestDays), refs)
			}
			return s.find(fmt.Sprintf("A retrieval was requested more than %d days ago; it is still open and no appointment is on record.", s.Policy.RequestDays), refs)
		}},
	}
}
