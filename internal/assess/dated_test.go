package assess

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

func TestWindowBandFollowsThePlacement(t *testing.T) {
	t.Parallel()
	day := func(s string) filter.Day {
		d, err := filter.ParseDay(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	at := func(placed filter.Span) *Band {
		site := policy.Default()
		return band(&rules.Situation{Filter: filter.Filter{Placed: placed}, Policy: &site})
	}
	both := func(a, b string) Range { return Range{&a, &b} }
	opens, closes := "2026-01-30", "2026-02-24"
	for name, c := range map[string]struct {
		placed filter.Span
		want   *Band
	}{
		"one day":      {filter.On(day("2026-01-01")), &Band{29, 54, both(opens, opens), both(closes, closes)}},
		"a month":      {filter.Span{Earliest: day("2026-01-01"), Latest: day("2026-01-31")}, &Band{29, 54, both(opens, "2026-03-01"), both(closes, "2026-03-26")}},
		"by a day":     {filter.Span{Earliest: filter.MinDay, Latest: day("2026-01-01")}, &Band{29, 54, Range{nil, &opens}, Range{nil, &closes}}},
		"no known day": {filter.Unknown(), nil},
	} {
		if diff := cmp.Diff(c.want, at(c.placed)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// Two complications told in the same words keep their own days, and one without an onset gets none.
func TestFindingsCarryTheOnsetOfTheirComplication(t *testing.T) {
	t.Parallel()
	onset := filter.NewDay(2026, 2, 3)
	c := func(ref string) rules.Complication {
		return rules.Complication{Rule: "fracture", Text: "Broken.", Evidence: []filter.Ref{ref}}
	}
	s := &rules.Situation{Complications: []rules.Complication{c("Condition/a"), c("Condition/b")}}
	s.Facts.Diagnoses = []rules.Diagnosis{
		{Onset: filter.Unknown(), Recorded: filter.On(onset), Evidence: []filter.Ref{"Condition/a"}},
		{Onset: filter.On(onset), Evidence: []filter.Ref{"Condition/b"}},
	}
	of := onsets(s)
	finding := func(refs ...filter.Ref) rules.Finding {
		return rules.Finding{Rule: "fracture", Text: "Broken.", Evidence: refs}
	}
	day := onset.String()
	got := []*Range{of(finding("Condition/b", "Procedure/p")), of(finding("Condition/a", "Procedure/p")), of(rules.Finding{Rule: "window-past"})}
	if diff := cmp.Diff([]*Range{{&day, &day}, nil, nil}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
