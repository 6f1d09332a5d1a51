package workup

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/policy"
)

func samplePlan() *plan.Plan {
	known := plan.Source{Source: "a source", Known: policy.Memory}
	value := "2026-04-14"
	return &plan.Plan{
		Notes:      []plan.Statement{{Text: "Note one.", Source: known}, {Text: "Note two.", Source: plan.Source{Source: "common practice, no source", Known: policy.Practice}}},
		Approach:   plan.Approach{First: "defer", Complex: true},
		Asks:       []plan.Ask{{What: "latex", Text: "Ask one?", Source: known}},
		Routes:     []plan.Route{{Vein: "jugular", Side: "left", State: "not known", Text: "not on record."}, {Vein: "femoral", Side: "not stated", State: "present", Text: "open."}},
		Ladder:     []plan.Step{{Step: 1, Technique: "snare", When: "first", Access: "right jugular", Sheath: plan.Sheath{MinFrench: 9, MaxFrench: 12}, Hazards: []string{"spasm", "tear"}, BailOut: "let go", Source: known}},
		Kit:        []plan.Item{{Name: "snare", For: "the hook"}},
		Predictors: []plan.Predictor{{Name: "tilt", State: plan.Present, Text: "Tilt of 20 degrees.", Day: &value, Published: "Figures.", Source: known}},
		Laboratory: plan.Laboratory{Needed: true, Tests: []plan.Test{{Name: "INR", Result: "correct", Text: "INR of 4.", Source: known}}},
		Anticoagulation: plan.Anticoagulation{Default: plan.Statement{Text: "Continue.", Source: known}, Red: true, RedText: plan.Statement{Text: "Acute until 2026-04-14.", Source: known}, Condition: "only if a complex removal is planned.",
			Holds: []plan.AgentHold{{Agent: "apixaban", Level: "therapeutic", Hold: "NEEDS-CLINICIAN", NeedsClinician: true, Statement: plan.Statement{Text: "No published hold.", Source: known}}}},
	}
}

// TestChecklist: what is to be done has a box, what presses is marked, and no statement of a plan is left out.
func TestChecklist(t *testing.T) {
	t.Parallel()
	c := checklistOf(samplePlan())
	if c.Approach != "Defer: anticoagulate and image again; plan for a complex removal" {
		t.Errorf("approach %q", c.Approach)
	}
	got := map[string]string{}
	for _, g := range c.Groups {
		for _, l := range g.Lines {
			mark := ""
			if l.Box {
				mark += "box "
			}
			if l.Press {
				mark += "press "
			}
			if l.Alarm {
				mark += "alarm"
			}
			got[l.Text] = mark
		}
	}
	for text, mark := range map[string]string{
		"Note one.": "", "Ask one?": "box ", "Left jugular vein: not on record.": "box ", "Femoral vein: open.": "",
		"INR: to be corrected first. INR of 4.": "box press ", "Continue.": "box ", "Acute until 2026-04-14.": "press alarm", "No imaging of the cava or the leg veins since the placement is on record by a code that says so.": "",
		"Only if a complex removal is planned – apixaban, therapeutic: NEEDS-CLINICIAN": "box press alarm",
	} {
		if have, ok := got[text]; !ok || have != mark {
			t.Errorf("%q: marked %q, want %q (there: %v)", text, have, mark, ok)
		}
	}
	if diff := cmp.Diff([]step{{"1", "Snare", "First", "Right jugular. 9–12 F.", "Spasm; tear", "Let go", "1"}}, c.Steps); diff != "" {
		t.Errorf("steps (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"Snare (the hook)"}, c.Shelf); diff != "" {
		t.Errorf("shelf (-want +got):\n%s", diff)
	}
	if len(c.Predictors) != 1 || !c.Predictors[0].Has("present") || c.Predictors[0].Has("absent") || c.Predictors[0].Name != "Tilt" {
		t.Errorf("predictors %+v", c.Predictors)
	}
	if diff := cmp.Diff([]origin{{"A source", "From memory, not checked"}, {"Common practice, no source", "–"}}, c.Sources); diff != "" {
		t.Errorf("sources, each once (-want +got):\n%s", diff)
	}
	if checklistOf(nil) != nil {
		t.Error("a list without a plan")
	}
}

// TestPlanIsOnEveryForm: the PDF and the page say every line of the plan.
func TestPlanIsOnEveryForm(t *testing.T) {
	t.Parallel()
	s := overdue()
	s.filter.Plan = samplePlan()
	text := squeeze(run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "FILE", "-"))
	page, err := HTML(s.assessment, s.filter, s.referral)
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]string{"paper": text, "page": unmarked(string(page))} {
		c := checklistOf(s.filter.Plan)
		mustSay(t, got, c.Approach, c.Advice.Text)
		lines := append(c.Why, c.Afterwards...)
		for _, g := range c.Groups {
			lines = append(lines, g.Lines...)
		}
		for _, l := range lines {
			mustSay(t, got, l.Text, l.Detail)
		}
		for _, x := range c.Predictors {
			mustSay(t, got, x.Name, x.Text, x.Entries, x.Published)
		}
		for _, x := range c.Steps {
			mustSay(t, got, x.Technique, x.Hazards)
		}
		mustSay(t, got, c.Shelf...)
		for _, x := range c.Sources {
			mustSay(t, got, x.Source, x.Known)
		}
		if t.Failed() {
			t.Fatal(name)
		}
	}
}

// TestEveryQuestionIsOnTheList: each thing to be asked has its line, but for those that have a box under imaging or tests.
func TestEveryQuestionIsOnTheList(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, a := range answers(t) {
		if a.Filter.Plan == nil {
			continue
		}
		lines := map[string]bool{}
		for _, g := range checklistOf(a.Filter.Plan).Groups {
			for _, l := range g.Lines {
				lines[l.Text] = l.Box
			}
		}
		for _, q := range a.Filter.Plan.Asks {
			if q.What == "ct-abdomen" || strings.HasPrefix(q.What, "test-") {
				continue
			}
			seen[q.What] = true
			if !lines[q.Text] {
				t.Errorf("%s: %s has no box", a.name, q.What)
			}
		}
	}
	for _, what := range []string{"pregnancy", "allergy-contrast", "heparin-thrombocytopenia", "consent", "anticoagulant-taken"} {
		if !seen[what] {
			t.Errorf("%s is asked in no plan", what)
		}
	}
}

// TestTheTimeLineBeginsHalfAYearBefore: 180 days before the placement what was is drawn, a day earlier it is only counted.
func TestTheTimeLineBeginsHalfAYearBefore(t *testing.T) {
	t.Parallel()
	for day, drawn := range map[string]bool{"2024-07-14": true, "2024-07-13": false, "2024-10-12": true, "2024-10-01": true} {
		s := overdue() // placed on 2025-01-10
		s.filter.Background = []assess.Happening{{When: exactly(day), What: "thromboembolism", Text: "A thrombosis."}}
		c := newChronicle(s.assessment, s.filter, whole)
		there := slices.ContainsFunc(c.marks, func(d dated) bool { return d.text == "A thrombosis." })
		if there != drawn || (c.earlier == 1) == drawn {
			t.Errorf("%s: drawn %v, counted %d", day, there, c.earlier)
		}
	}
}
