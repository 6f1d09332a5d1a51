package plan_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

func day(t testing.TB, s string) filter.Day {
	t.Helper()
	d, err := filter.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func on(t testing.TB, s string) filter.Span { t.Helper(); return filter.On(day(t, s)) }

// patient is a filter with facts; its parts are set by each case.
type patient struct {
	filter filter.Filter
	facts  rules.Facts
}

// quiet gives a filter placed on 2025-12-01 for a thrombosis that was treated for long enough: the verdict is refer, and nothing else is
// on record.
func quiet(t testing.TB) patient {
	return placedOn(t, "2025-12-01")
}

func placedOn(t testing.TB, placed string) patient {
	t.Helper()
	p := on(t, placed)
	return patient{
		filter.Filter{Key: "k", Standing: filter.StandingInPlace, Placed: p, Removed: filter.Unknown(), Evidence: []filter.Ref{"Procedure/in"}, PlacementRefs: []filter.Ref{"Procedure/in"},
			Model: filter.Model{Design: "unknown", Intent: "unknown", By: "none"}},
		rules.Facts{Diagnoses: []rules.Diagnosis{{Class: rules.DVT, Label: "ICD-10-CM I82.412", Acute: true, Onset: p, Recorded: p, Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/dvt"}}}},
	}
}

// takes adds a running order.
func (p patient) takes(t testing.TB, agent string, mg, perDay float64, since string) patient {
	p.facts.Courses = append(p.facts.Courses, rules.Course{Agent: agent, MgPerDose: mg, PerDay: perDay, Start: on(t, since), End: filter.Unknown(), Authored: on(t, since), Refilled: filter.Unknown(), Outpatient: true,
		Evidence: []filter.Ref{"MedicationRequest/" + agent}})
	return p
}

func (p patient) lab(t testing.TB, what string, value float64, day string) patient {
	p.facts.Labs = append(p.facts.Labs, rules.Lab{What: what, Value: value, Day: on(t, day), Evidence: []filter.Ref{"Observation/" + what}})
	return p
}

func (p patient) measure(t testing.TB, m rules.Measure, day string) patient {
	m.When, m.Evidence = on(t, day), []filter.Ref{"Observation/" + string(m.Sign)}
	p.facts.Measures = append(p.facts.Measures, m)
	return p
}

func (p patient) diagnosed(t testing.TB, class rules.Class, words rules.Words, day string) patient {
	p.facts.Diagnoses = append(p.facts.Diagnoses, rules.Diagnosis{Class: class, Label: "code", Acute: true, Own: true, Words: words, Onset: on(t, day), Recorded: on(t, day), Ended: filter.Unknown(),
		Evidence: []filter.Ref{"Condition/" + string(class)}})
	return p
}

func (p patient) model(design, intent string) patient {
	p.filter.Model = filter.Model{Name: "Model X", Design: design, Intent: intent, By: "udi"}
	p.filter.Devices = []filter.Device{{Ref: "Device/f"}}
	return p
}

func (p patient) tried(t testing.TB, day string) patient {
	p.filter.Events = append(p.filter.Events, filter.Event{Kind: filter.Attempt, When: on(t, day), Why: "status stopped", Evidence: []filter.Ref{"Procedure/try"}})
	return p
}

// propose gives the plan on a day; it fails where the verdict wants none.
func (p patient) propose(t testing.TB, asOf string) *plan.Plan {
	t.Helper()
	out := p.proposeAmong(t, asOf, true)
	if out == nil {
		t.Fatal("no plan")
	}
	return out
}

func (p patient) proposeAmong(t testing.TB, asOf string, alone bool) *plan.Plan {
	t.Helper()
	return plan.Propose(rules.NewBook().Evaluate(p.filter, p.facts, policy.Default(), filter.NewClock(day(t, asOf))), alone)
}

func predictor(t testing.TB, p *plan.Plan, name string) plan.Predictor {
	t.Helper()
	for _, x := range p.Predictors {
		if x.Name == name {
			return x
		}
	}
	t.Fatalf("no predictor %s", name)
	return plan.Predictor{}
}

func span(t testing.TB, from, to string) filter.Span {
	t.Helper()
	return filter.Span{Earliest: day(t, from), Latest: day(t, to)}
}
