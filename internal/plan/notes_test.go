package plan_test

import (
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// TestNotesToBeReadFirst: what comes before every technique is told with its entries, and only where it is on record.
func TestNotesToBeReadFirst(t *testing.T) {
	t.Parallel()
	base := func() patient { return quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10") }
	for name, c := range map[string]struct {
		p        patient
		says     string
		evidence filter.Ref
	}{
		"heparin-induced thrombocytopenia": {base().diagnosed(t, rules.HIT, rules.Words{}, "2026-01-10"), "no heparin, nor in flushes", "Condition/hit"},
		"limited life expectancy":          {base().diagnosed(t, rules.Palliative, rules.Words{}, "2026-01-10"), "Limited life expectancy is documented", "Condition/palliative"},
		"a bleed beside a treatment dose":  {base().diagnosed(t, rules.Bleed, rules.Words{}, "2026-02-20"), "An active bleed is recorded beside a treatment dose", "Condition/bleed"},
	} {
		is := func(s plan.Statement) bool {
			return strings.Contains(s.Text, c.says) && slices.Contains(s.Evidence, c.evidence)
		}
		if !slices.ContainsFunc(c.p.propose(t, "2026-03-05").Notes, is) {
			t.Errorf("%s is not noted", name)
		}
		if slices.ContainsFunc(base().propose(t, "2026-03-05").Notes, is) {
			t.Errorf("%s is noted without an entry", name)
		}
	}
}

// TestNothingGoesOnBesideABleed: the default line neither continues nor stops what is prescribed beside an active bleed, and names it.
func TestNothingGoesOnBesideABleed(t *testing.T) {
	t.Parallel()
	got := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10").diagnosed(t, rules.Bleed, rules.Words{}, "2026-02-20").propose(t, "2026-03-05").Anticoagulation
	if !strings.HasPrefix(got.Default.Text, "A bleed is active beside what is prescribed (apixaban (therapeutic))") || strings.Contains(got.Default.Text, "Continue") ||
		!slices.Contains(got.Default.Evidence, "Condition/bleed") || !got.Unsettled {
		t.Errorf("%+v", got.Default)
	}
}

// TestSideFromBelow: a femoral vein that is recorded as not open is never the way in.
func TestSideFromBelow(t *testing.T) {
	t.Parallel()
	femoral := func(p patient, open bool, side string) patient {
		return p.measure(t, rules.Measure{Sign: rules.FemoralPatent, Yes: open, Side: side}, "2026-02-01")
	}
	for name, c := range map[string]struct {
		p    patient
		want string
	}{
		"nothing known": {quiet(t), "right common femoral, not known to be open"},
		"right closed":  {femoral(quiet(t), false, "right"), "left common femoral, not known to be open (the right is recorded as not open)"},
		"left open":     {femoral(femoral(quiet(t), false, "right"), true, "left"), "left common femoral (the right is recorded as not open)"},
		"both closed":   {femoral(femoral(quiet(t), false, "right"), false, "left"), "no femoral route is on record as open: another way that the operator knows"},
	} {
		found := false
		for _, s := range c.p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, "2026-03-05").Ladder {
			if strings.HasPrefix(s.Technique, "inversion") {
				found = true
				if s.Access != c.want {
					t.Errorf("%s: %q", name, s.Access)
				}
			}
		}
		if !found {
			t.Errorf("%s: no step from below", name)
		}
	}
}

// TestALimitButForTheArithmetic: a clearance that is 50 but for the last bit of a float counts as 50.
func TestALimitButForTheArithmetic(t *testing.T) {
	t.Parallel()
	for clearance, want := range map[float64]string{50 - 1e-12: "4 doses", 49.99: "6 doses", 30 - 1e-12: "6 doses"} {
		if hold, _, _ := plan.Hold("apixaban", rules.Therapeutic, clearance); hold != want {
			t.Errorf("%v: %s, want %s", clearance, hold, want)
		}
	}
}
