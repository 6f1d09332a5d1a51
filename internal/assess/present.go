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
		PlannedIntent: s.Permanence.Planned, DwellDays: dwell(s), Window: string(s.Window), WindowBand: band(s), Indication: string(s.Indication.Status),
		Anticoagulation: Anticoagulation{Level: string(s.Anticoagulation.Level), Agents: []Prescribed{}},
		Verdict:         string(j.Verdict), Headline: j.Headline, Overdue: j.Overdue, ReassessmentOverdue: j.ReassessmentOverdue, Emergency: j.Emergency,
		Asked: s.Asked.State, AskedEvidence: sorted(s.Asked.Evidence), Contradictions: []Contradiction{}, Missing: []Missing{}, Events: make([]Event, 0, len(s.Filter.Events)),
		Focus: focus(s.Filter), Evidence: sorted(s.Filter.Evidence), Plan: p,
		PlacedFor: s.PlacedFor(), Courses: courses(s), Background: background(s),
	}
	if s.Anticoagulation.Agent != "" {
		agent := s.Anticoagulation.Agent
		f.Anticoagulation.Agent = &agent
	}
	for _, x := range s.Prescriptions() {
		f.Anticoagulation.Agents = append(f.Anticoagulation.Agents, Prescribed{x.Agent, string(x.Level)})
	}
	if s.Anticoagulation.Since.Bounded() {
		f.Anticoagulation.Since = text(s.Anticoagulation.Since.Latest)
	}
	onsetOf := onsets(s)
	f.Findings = make([]Finding, 0, len(j.Findings))
	for _, x := range j.Findings {
		f.Findings = append(f.Findings, Finding{Rule: x.Rule, Text: x.Text, Evidence: sorted(x.Evidence), Source: x.Source, Known: string(x.Known), By: x.By, When: onsetOf(x)})
	}
	for _, c := range s.Filter.Contradictions {
		f.Contradictions = append(f.Contradictions, Contradiction{c.Kind, c.Text, sorted(c.Evidence), c.Decides})
	}
	if p != nil {
		for _, d := range p.Disagreements {
			f.Contradictions = append(f.Contradictions, Contradiction{"imaging", d.Text, d.Evidence, false})
		}
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
	f.Measured = measured(f, s.Facts.Labs)
	return f
}

func courses(s *rules.Situation) []Course {
	out := []Course{}
	for _, c := range s.Stretches() {
		out = append(out, Course{c.Agent, string(c.Level), rangeOf(c.Start), rangeOf(c.End), c.Runs, sorted(c.Evidence)})
	}
	return out
}

// background lists happenings and, after them, the examinations since the placement, each by its first day.
func background(s *rules.Situation) []Happening {
	out := []Happening{}
	for _, h := range s.Background() {
		out = append(out, Happening{rangeOf(h.When), h.What, h.Text, sorted(h.Evidence)})
	}
	studies := s.Studies()
	slices.Reverse(studies)
	for _, v := range studies {
		text := map[string]string{"ct-abdomen": "CT of the abdomen", "duplex": "Duplex of the leg veins", "cavogram": "Cavogram"}[v.Modality]
		if v.Place != "" {
			text += ", " + v.Place
		}
		// A report and its pictures tell of one examination.
		if n := len(out); n > 0 && out[n-1].What == "imaging" && told(&out[n-1].When) == v.When.String() && strings.HasPrefix(text, out[n-1].Text) {
			out[n-1].Text, out[n-1].Evidence = text, sorted(append(out[n-1].Evidence, v.Evidence...))
			continue
		}
		out = append(out, Happening{rangeOf(v.When), "imaging", text, sorted(v.Evidence)})
	}
	return out
}

// rangeOf is span for a member that is always there.
func rangeOf(s filter.Span) Range {
	if r := span(s); r != nil {
		return *r
	}
	return Range{}
}

func event(e filter.Event) Event {
	out := Event{What: string(e.Kind), Text: wordsOf(e.Kind) + " (" + e.Why + ")", Evidence: sorted(e.Evidence)}
	if s := span(e.When); s != nil {
		out.When = *s
	}
	return out
}

// wordsOf says a kind of event for people.
func wordsOf(k filter.Kind) string {
	switch k {
	case filter.Placement:
		return "Filter placed"
	case filter.Claim:
		return "Placement recorded, not as done"
	case filter.InPlace:
		return "Recorded as in place"
	case filter.Removal:
		return "Filter removed"
	case filter.RemovalClaim:
		return "Removal recorded, not as done"
	case filter.PartialRemoval:
		return "Removed in part"
	case filter.Attempt:
		return "Retrieval tried, filter stayed in"
	case filter.Repositioning:
		return "Filter repositioned"
	case filter.Hint:
		return "Hint that it is out"
	case filter.Sighting:
		return "Seen in place"
	}
	return ""
}

// span writes the days that are known; nil where nothing is.
func span(s filter.Span) *Range {
	if !s.Known() {
		return nil
	}
	// A range with the texts that it shows.
	r := &struct {
		Range
		earliest, latest string
	}{}
	if s.Earliest > filter.MinDay {
		r.earliest, r.Earliest = s.Earliest.String(), &r.earliest
	}
	switch {
	case s.Exact() && r.Earliest != nil:
		r.latest, r.Latest = r.earliest, &r.latest
	case s.Latest < filter.MaxDay:
		r.latest, r.Latest = s.Latest.String(), &r.latest
	}
	return &r.Range
}

// band puts the policy's window on the calendar.
func band(s *rules.Situation) *Band {
	shifted := func(days int) *Range {
		return span(filter.Span{Earliest: s.Filter.Placed.Earliest.Add(days), Latest: s.Filter.Placed.Latest.Add(days)})
	}
	opens, closes := shifted(s.Policy.WindowFirst), shifted(s.Policy.WindowLast)
	if opens == nil || closes == nil {
		return nil
	}
	return &Band{FirstDay: s.Policy.WindowFirst, LastDay: s.Policy.WindowLast, Opens: *opens, Closes: *closes}
}

// onsets gives the onset of the complication that a finding tells of. Two complications of one kind may be told in the same
// words: the entries tell them apart, and each is taken once.
func onsets(s *rules.Situation) func(rules.Finding) *Range {
	left := slices.Clone(s.Complications)
	return func(x rules.Finding) *Range {
		at := slices.IndexFunc(left, func(c rules.Complication) bool {
			return c.Rule == x.Rule && c.Text == x.Text && !slices.ContainsFunc(c.Evidence, func(r filter.Ref) bool { return !slices.Contains(x.Evidence, r) })
		})
		if at < 0 {
			return nil
		}
		evidence := left[at].Evidence
		left = slices.Delete(left, at, at+1)
		for _, d := range s.Facts.Diagnoses {
			if slices.Equal(d.Evidence, evidence) {
				return span(d.Onset)
			}
		}
		return nil
	}
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

// sorted gives a sorted copy that is never null in JSON.
func sorted(refs []filter.Ref) []string {
	out := append([]string{}, refs...)
	slices.Sort(out)
	return slices.Compact(out)
}
