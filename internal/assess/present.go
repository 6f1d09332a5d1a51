package assess

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// present turns a judgement into the contract's output. Texts carry dates, never ages, so that they hold as long as the
// answer does.
func present(j rules.Judgement, p *plan.Plan, context string, gaps []string) Filter {
	s := j.Situation
	f := Filter{
		Key: s.Filter.Key, Standing: string(s.Filter.Standing), Placed: span(s.Filter.Placed), Removed: span(s.Filter.Removed),
		Model:         Model{Name: s.Filter.Model.Name, Design: s.Filter.Model.Design, Intent: s.Filter.Model.Intent, By: s.Filter.Model.By},
		PlannedIntent: s.Permanence.Planned, DwellDays: dwell(s), Window: string(s.Window), Indication: string(s.Indication.Status),
		Anticoagulation: Anticoagulation{Level: string(s.Anticoagulation.Level)},
		Verdict:         string(j.Verdict), Headline: j.Headline, Overdue: j.Overdue, ReassessmentOverdue: j.ReassessmentOverdue, Emergency: j.Emergency,
		Asked: s.Asked.State, AskedEvidence: list(s.Asked.Evidence), Findings: []Finding{}, Contradictions: []Contradiction{}, Missing: []Missing{}, Events: []Event{},
		Focus: focus(s.Filter), Evidence: list(s.Filter.Evidence), Plan: p,
	}
	if s.Anticoagulation.Agent != "" {
		f.Anticoagulation.Agent = &s.Anticoagulation.Agent
	}
	if s.Anticoagulation.Since.Bounded() {
		f.Anticoagulation.Since = text(s.Anticoagulation.Since.Latest)
	}
	for _, x := range j.Findings {
		f.Findings = append(f.Findings, Finding{x.Rule, x.Text, list(x.Evidence), x.Source, string(x.Known)})
	}
	for _, c := range s.Filter.Contradictions {
		f.Contradictions = append(f.Contradictions, Contradiction{c.Kind, c.Text, list(c.Evidence), c.Decides})
	}
	for _, m := range j.Missing {
		f.Missing = append(f.Missing, Missing(m))
	}
	if context == ContextPending {
		f.Missing = append(f.Missing, Missing{"context", "The patient's context has not been read from the record yet; no Task is made until it is."})
	}
	for _, g := range gaps {
		f.Missing = append(f.Missing, Missing{"context", "A part of the patient's record was not read: " + g + ". Look there before relying on what is not listed here."})
	}
	for _, e := range s.Filter.Events {
		f.Events = append(f.Events, event(e))
	}
	return f
}

func event(e filter.Event) Event {
	words := map[filter.Kind]string{
		filter.Placement: "Filter placed", filter.Claim: "Placement recorded, not as done", filter.InPlace: "Recorded as in place",
		filter.Removal: "Filter removed", filter.RemovalClaim: "Removal recorded, not as done", filter.PartialRemoval: "Removed in part",
		filter.Attempt: "Retrieval tried, filter stayed in", filter.Repositioning: "Filter repositioned", filter.Hint: "Hint that it is out", filter.Sighting: "Seen in place",
	}
	out := Event{What: string(e.Kind), Text: words[e.Kind] + " (" + e.Why + ")", Evidence: list(e.Evidence)}
	if s := span(e.When); s != nil {
		out.When = *s
	}
	return out
}

// span writes the days that are known; nil where nothing is.
func span(s filter.Span) *Range {
	if !s.Known() {
		return nil
	}
	r := &Range{}
	if s.Earliest > filter.MinDay {
		r.Earliest = text(s.Earliest)
	}
	if s.Latest < filter.MaxDay {
		r.Latest = text(s.Latest)
	}
	return r
}

func dwell(s *rules.Situation) *Days {
	lo, hi, loKnown, hiKnown := s.DwellDays()
	if !s.Filter.Placed.Known() {
		return nil
	}
	d := &Days{}
	if loKnown {
		d.Min = &lo
	}
	if hiKnown {
		d.Max = &hi
	}
	return d
}

// focus gives the entry a Task is about: the Device, or else the placement's Procedure. It is one of the filter's own where there
// is any, because by it the Task is known as this filter's again; a removal may be told of several filters.
func focus(f filter.Filter) string {
	for _, refs := range [][]filter.Ref{f.Own, f.PlacementRefs, f.Evidence} {
		for _, prefix := range []string{"Device/", "Procedure/"} {
			for _, ref := range refs {
				if strings.HasPrefix(ref, prefix) || strings.Contains(ref, "/"+prefix) {
					return ref
				}
			}
		}
	}
	if len(f.Evidence) > 0 {
		return f.Evidence[0]
	}
	return ""
}

// list gives a sorted copy that is never null in JSON.
func list(refs []filter.Ref) []string {
	out := append([]string{}, refs...)
	slices.Sort(out)
	return slices.Compact(out)
}
