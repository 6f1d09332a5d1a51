package rules

import (
	"slices"

	"dwellwatch/internal/filter"
)

// Verdict is what the service proposes for a filter; a draft for a clinician, never an order.
type Verdict string

const (
	Refer   Verdict = "refer"
	Urgent  Verdict = "urgent"
	Review  Verdict = "review"
	Wait    Verdict = "wait"
	Keep    Verdict = "keep"
	Clarify Verdict = "clarify"
	Closed  Verdict = "closed"
)

// verdict takes the first line that matches, and says why in one sentence.
func (s *Situation) verdict() (Verdict, string) {
	v, why := s.firstMatch()
	if v == Wait && len(s.Conflict) > 0 {
		return Review, "A therapeutic anticoagulant is on record beside an active bleed: the treating team must settle which holds."
	}
	if (v == Keep || v == Wait) && len(s.HaemoglobinFall) > 0 {
		return Review, "The haemoglobin has fallen with the filter in place: bleeding must be excluded."
	}
	if (v == Keep || v == Wait) && slices.ContainsFunc(s.Complications, func(c Complication) bool { return c.Weight >= RaiseReview }) {
		return Review, "A complication of the filter is recorded that needs review."
	}
	return v, why
}

func (s *Situation) firstMatch() (Verdict, string) {
	f := s.Filter
	if len(s.Dead) > 0 && !s.placedAfterDeath() {
		return Closed, "The patient is recorded as deceased."
	}
	for _, c := range s.Complications {
		switch {
		case c.Weight != IsUrgent:
		case s.gone():
			return Urgent, s.recordedOut() + ": " + c.Text
		default:
			return Urgent, c.Text
		}
	}
	switch {
	case f.Standing == filter.StandingRemoved && len(s.afterRemoval()) > 0:
		return Clarify, s.afterRemoval()[0].Text
	case f.Standing == filter.StandingRemoved:
		return Closed, "The filter is recorded as removed " + f.Removed.String() + "."
	case f.Standing == filter.StandingUnclear:
		return Clarify, "It is not clear whether a filter is in: " + f.Why + "."
	case !f.Placed.Known():
		return Clarify, "A filter is recorded, but no day of placement."
	case s.contradicted() != "":
		return Clarify, s.contradicted()
	case f.Standing == filter.StandingPartly:
		return Review, "A part of the filter stayed in."
	case len(s.LifeLimit) > 0:
		return Review, "Limited life expectancy is documented; whether removal still helps is for the team and the patient."
	case s.permanent() && len(s.symptomatic()) > 0:
		return Review, "The filter is meant to stay, but symptoms are attributed to it."
	case s.permanent():
		return Keep, "The filter is meant to stay, by design or by a documented decision."
	case len(s.UntreatedVTE) > 0:
		if s.Anticoagulation.Level == Indeterminate {
			return Review, "Acute VTE, and the record does not settle whether the anticoagulant is at a treatment dose: settle that first."
		}
		return Review, "VTE apparently untreated: settle anticoagulation first."
	case s.Indication.Status == StillIndicated:
		return Wait, s.Indication.Text
	case s.Indication.Status == Resolved || s.Indication.Status == LikelyResolved:
		return Refer, s.Indication.Text
	case s.Window == WindowBefore:
		return Wait, "The window has not begun and the record does not settle the reason for the filter."
	}
	return Review, "The record does not settle whether the filter is still needed."
}

// contradicted gives the text of the first contradiction about whether, which or since when.
func (s *Situation) contradicted() string {
	for _, c := range s.Filter.Contradictions {
		if c.Decides {
			return c.Text
		}
	}
	return ""
}

func (s *Situation) overdue(v Verdict) bool {
	return len(s.Dead) == 0 && s.Filter.Standing == filter.StandingInPlace && s.Window == WindowPast && !s.permanent() &&
		(s.Indication.Status == Resolved || s.Indication.Status == LikelyResolved) && (v == Refer || v == Urgent)
}

func (s *Situation) reassessmentOverdue() bool {
	return len(s.Dead) == 0 && s.Filter.Standing == filter.StandingInPlace && s.Window == WindowPast && !s.permanent() &&
		s.Indication.Status == StatusUnknown
}

// lookAgain gives the rule's own day, else the policy's interval from asOf; MaxDay for verdicts that need none.
func (s *Situation) lookAgain(v Verdict) filter.Day {
	days := s.Policy.LookAgainDays
	switch v {
	case Keep:
		days = s.Policy.LookAgainKeepDays
	case Wait:
		if own := s.Indication.LookAgain; own < filter.MaxDay && own > s.Clock.AsOf() {
			return own
		}
	case Review, Clarify:
	default:
		return filter.MaxDay
	}
	return s.Clock.AsOf().Add(days)
}

// missing lists what the record does not hold and this judgement would have used.
func (s *Situation) missing() []Missing {
	if s.out() || len(s.Dead) > 0 {
		return nil
	}
	var out []Missing
	add := func(what, text string) { out = append(out, Missing{what, text}) }
	if !s.Filter.Placed.Exact() {
		add("placement-day", "The exact day of placement is not in the record.")
	}
	if m := s.Filter.Model; m.By == "none" || m.By == "" {
		text := "No entry identifies the model of the filter."
		if m.Name != "" {
			text = "The model is named in the record (" + m.Name + ") and not in the catalogue: its design and labelled use are not known."
		}
		add("device-model", text)
	}
	if !s.Indication.IndexKnown {
		if _, ok := s.prophylactic(); !ok {
			add("indication", "No entry says why the filter was placed.")
		}
	}
	if s.Anticoagulation.Level == LevelUnknown {
		add("anticoagulation", "Nothing current is known of anticoagulation.")
	}
	if s.Anticoagulation.Level == Indeterminate {
		add("anticoagulation-level", "The dose, weight or INR on record does not settle the level of anticoagulation.")
	}
	return out
}
