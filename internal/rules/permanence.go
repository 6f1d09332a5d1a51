package rules

import (
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Permanence says whether the filter is meant to stay, by design or by a documented decision.
type Permanence struct {
	Design   bool
	Plan     bool
	Planned  string // retrieve | permanent | unknown
	Evidence []filter.Ref
	// overruling is the Evidence of a decision that takes back an earlier one to leave it in.
	overruling []filter.Ref
}

func (s *Situation) permanence() Permanence {
	p := Permanence{Design: s.Filter.Model.Intent == "permanent", Planned: "unknown"}
	latest, at := filter.MinDay, int64(0)
	for _, plan := range s.Facts.Plans {
		if !s.Clock.Reached(plan.Made.Earliest) || !s.planOf(plan) {
			continue
		}
		if plan.Made.Latest < latest {
			continue
		}
		sameDay := plan.Made.Latest == latest && plan.At > 0 && at > 0
		if sameDay && plan.At < at {
			continue
		}
		if plan.Made.Latest > latest || sameDay && plan.At > at {
			latest, at, p.Plan, p.Evidence = plan.Made.Latest, plan.At, false, nil
		}
		switch {
		case plan.Permanent && !p.Plan:
			p.Plan, p.Evidence = true, nil // of two decisions of one day the one to leave it in counts
		case p.Plan && !plan.Permanent:
			continue
		}
		p.Evidence = append(p.Evidence, plan.Evidence...)
		p.Planned = "retrieve"
		if p.Plan {
			p.Planned = "permanent"
		}
	}
	if !p.Plan && slices.ContainsFunc(s.Facts.Plans, func(plan Plan) bool { return plan.Permanent && s.Clock.Reached(plan.Made.Earliest) && s.planOf(plan) }) {
		p.overruling = p.Evidence
		// A re-assessment may be such a decision, and itself be set aside by a later one or by what has begun since.
		if latest, ok := s.lastReassessment(); ok {
			p.overruling = slices.Concat(p.Evidence, latest.Evidence, s.eventsAfter(latest.When))
		}
	}
	return p
}

// planOf reports whether a decision is about this filter: it names its placement or device, or names none and was made when
// this filter can have been in. What was decided about an earlier one says nothing of this one.
func (s *Situation) planOf(p Plan) bool {
	return p.Of == "" && (!s.Filter.Placed.Known() || p.Made.Known() && p.Made.Latest >= s.Filter.Placed.Earliest) || slices.Contains(s.Filter.Evidence, p.Of) ||
		slices.ContainsFunc(s.Filter.Devices, func(v filter.Device) bool { return v.Ref == p.Of })
}

func (s *Situation) permanent() bool { return s.Permanence.Design || s.Permanence.Plan }

func permanenceRules() []Rule {
	return []Rule{
		{"permanent-design", "The model is labelled for permanent use", "SIR multisociety guideline 2020: against routine removal of permanent filters", policy.Memory, func(s *Situation) []Finding {
			if !s.Permanence.Design || s.out() {
				return nil
			}
			return s.find("The model (" + s.Filter.Model.Name + ", identified by " + s.Filter.Model.By + ") is labelled for permanent use; removal is not routine.")
		}},
		{"permanent-plan", "A documented decision to leave the filter in", "SIR consensus on discontinuing filtration, JVIR 2006 (condition a: no indication for a permanent filter)", policy.Memory, func(s *Situation) []Finding {
			if !s.Permanence.Plan || s.out() {
				return nil
			}
			return s.find("A documented decision says that the filter is to stay.", s.Permanence.Evidence)
		}},
		{"symptomatic", "Symptoms attributed to the filter or the cava", "common practice, no source: a filter with symptoms is reviewed whatever its design", policy.Practice, func(s *Situation) []Finding {
			refs := s.symptomatic()
			if len(refs) == 0 || s.out() {
				return nil
			}
			return s.find("Pain, bleeding, swelling or organ injury attributed to the filter or the cava is recorded.", refs)
		}},
	}
}
