package policy_test

import (
	"strings"
	"testing"

	"dwellwatch/internal/policy"
)

// TestWindowIsThatOfThePublishedAnalysis: the FDA's safety communication of 6 May 2014 says that the benefit of removal outweighs the
// risk between 29 and 54 days after implantation, after the decision analysis of Morales et al. (2013).
func TestWindowIsThatOfThePublishedAnalysis(t *testing.T) {
	t.Parallel()
	if p := policy.Default(); p.WindowFirst != 29 || p.WindowLast != 54 {
		t.Errorf("the window is %d to %d days", p.WindowFirst, p.WindowLast)
	}
}

// TestThresholds: every number stands once, within its bounds, and says how it is known; what is not our choice or common practice
// names its source.
func TestThresholds(t *testing.T) {
	t.Parallel()
	p := policy.Default()
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, e := range p.Thresholds() {
		if e.Key == "" || e.Unit == "" || seen[e.Key] || e.Min >= e.Max {
			t.Errorf("%+v", e)
		}
		seen[e.Key] = true
		sourced := e.Known == policy.Seen || e.Known == policy.SecondHand || e.Known == policy.Memory
		if sourced == (e.Source == "") || !sourced && e.Known != policy.Choice && e.Known != policy.Practice {
			t.Errorf("%s: source %q, known %q", e.Key, e.Source, e.Known)
		}
	}
}

// TestWith: each threshold can be set to its bounds and not beyond, and changes the digest and nothing else.
func TestWith(t *testing.T) {
	t.Parallel()
	// Wide enough for each bound of another.
	roomy := map[string]int{"window_days.first": 1, "window_days.last": 3650, "maybe_same_days": 365, "same_placement_days": 0,
		"therapeutic_some_days": 1, "therapeutic_days": 365, "due_days.emergency": 0, "due_days.urgent": 0, "due_days.overdue": 90, "due_days.routine": 180,
		"dwell_long_months": 1, "dwell_very_long_months": 240, "tilt_degrees": 1, "tilt_steep_degrees": 90, "inr_low.pass": 10, "inr_low.correct": 60,
		"inr_high.pass": 10, "inr_high.correct": 60, "platelets_low": 1, "platelets_high": 150, "filtration.low": 5, "filtration.watch": 90}
	ordered := map[string]bool{}
	for key := range roomy {
		ordered[key] = true
	}
	for _, e := range policy.Default().Thresholds() {
		for value, good := range map[int]bool{e.Min - 1: false, e.Min: true, e.Max: true, e.Max + 1: false} {
			values := map[string]int{}
			if ordered[e.Key] {
				for key, v := range roomy {
					values[key] = v
				}
			}
			values[e.Key] = value
			p, err := policy.Default().With("site@1", values)
			if good && ordered[e.Key] && err != nil && !strings.Contains(err.Error(), "is outside") {
				continue // it crosses its neighbour, which is refused below
			}
			if (err == nil) != good || !good && !strings.Contains(err.Error(), e.Key+": ") {
				t.Errorf("%s = %d: %v", e.Key, value, err)
			}
			if good && value != e.Value && p.Digest() == policy.Default().Digest() {
				t.Errorf("%s = %d leaves the digest", e.Key, value)
			}
		}
	}
	for key, values := range map[string]map[string]int{
		"window_days":           {"window_days.first": 60},
		"therapeutic_some_days": {"therapeutic_some_days": 22},
		"same_placement_days":   {"maybe_same_days": 2},
		"due_days":              {"due_days.routine": 10},
		"tilt_degrees":          {"tilt_degrees": 16},
		"inr_high":              {"inr_high.pass": 19},
		"filtration":            {"filtration.watch": 29},
		"nowhere":               {"nowhere": 1},
	} {
		if _, err := policy.Default().With("site@1", values); err == nil || !strings.Contains(err.Error(), key) {
			t.Errorf("%v: %v", values, err)
		}
	}
	for _, name := range []string{"", "default@1"} {
		if _, err := policy.Default().With(name, nil); err == nil || !strings.Contains(err.Error(), "name: ") {
			t.Errorf("name %q: %v", name, err)
		}
	}
}

// TestThresholdsOfASite: a number that the site changed is known from the site, and the others from where they ship.
func TestThresholdsOfASite(t *testing.T) {
	t.Parallel()
	p, err := policy.Default().With("site@1", map[string]int{"window_days.last": 60, "window_days.first": 29})
	if err != nil {
		t.Fatal(err)
	}
	shipped := policy.Default().Thresholds()
	for i, e := range p.Thresholds() {
		want := shipped[i]
		if e.Key == "window_days.last" {
			want.Value, want.Known, want.Source = 60, policy.Site, "policy site@1 of the site"
		}
		if e != want {
			t.Errorf("%+v, want %+v", e, want)
		}
	}
}
