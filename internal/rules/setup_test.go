package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
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

func on(t testing.TB, s string) filter.Span { return filter.On(day(t, s)) }

func span(t testing.TB, from, to string) filter.Span {
	return filter.Span{Earliest: day(t, from), Latest: day(t, to)}
}

// placedFilter gives a filter in place since the given days, told by one procedure.
func placedFilter(placed filter.Span) filter.Filter {
	return filter.Filter{Key: "k", Standing: filter.StandingInPlace, Placed: placed, Removed: filter.Unknown(), Evidence: []filter.Ref{"Procedure/in"},
		Model: filter.Model{Design: "unknown", Intent: "unknown", By: "none"}}
}

func judge(f filter.Filter, facts rules.Facts, asOf filter.Day) rules.Judgement {
	return rules.NewBook().Evaluate(f, facts, policy.Default(), filter.NewClock(asOf))
}

// outpatient gives a running course of an agent at a dose.
func outpatient(agent string, mg, perDay float64, start filter.Span) rules.Course {
	return rules.Course{Agent: agent, MgPerDose: mg, PerDay: perDay, Start: start, End: filter.Unknown(), Authored: start, Refilled: filter.Unknown(), Outpatient: true, Evidence: []filter.Ref{"MedicationRequest/" + agent}}
}

func measured(what string, value float64, day filter.Span) rules.Lab {
	return rules.Lab{What: what, Value: value, Day: day, Evidence: []filter.Ref{"Observation/" + what}}
}

func judgeAt(t testing.TB, f filter.Filter, asOf string) *rules.Situation {
	t.Helper()
	return judge(f, rules.Facts{}, day(t, asOf)).Situation
}
