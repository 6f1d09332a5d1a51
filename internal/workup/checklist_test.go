package workup

import (
	"strings"
	"testing"

	"dwellwatch/internal/plan"
	"dwellwatch/internal/policy"
)

func samplePlan() *plan.Plan {
	known := plan.Source{Source: "a source", Known: policy.Memory}
	value := "2026-04-14"
	return &plan.Plan{
		Notes:      []plan.Statement{{Text: "Note one.", Source: known}},
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
				mark += "press"
			}
			got[l.Text] = mark
		}
	}
	for text, mark := range map[string]string{
		"Note one.": "", "Ask one?": "box ", "Left jugular vein: not on record.": "box ", "Femoral vein: open.": "", "1. snare": "", "snare: the hook": "box ",
		"Tilt: present. Tilt of 20 degrees.": "press", "INR of 4.": "box press", "Continue.": "box ", "Acute until 2026-04-14.": "press",
		"Only if a complex removal is planned – apixaban, therapeutic: NEEDS-CLINICIAN": "box press",
	} {
		if have, ok := got[text]; !ok || have != mark {
			t.Errorf("%q: marked %q, want %q (there: %v)", text, have, mark, ok)
		}
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
	for _, g := range checklistOf(s.filter.Plan).Groups {
		for _, l := range g.Lines {
			mustSay(t, text, l.Text)
			for _, word := range strings.Fields(l.Text) {
				if !strings.ContainsAny(word, "-'") && !strings.Contains(string(page), word) {
					t.Errorf("the page does not say %q", word)
				}
			}
		}
	}
}
