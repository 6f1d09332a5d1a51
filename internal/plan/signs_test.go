package plan_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// TestNumbersWithinBounds: a number told by a limit or a range counts as what it can be: above the limit for sure, below it for sure, or
// not known, and then images come first.
func TestNumbersWithinBounds(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		m           rules.Measure
		some        plan.State
		first, says string
	}{
		"thrombus > 50":      {rules.Measure{Sign: rules.ThrombusShare, Value: 50, Form: rules.Above}, plan.Present, "defer", "Thrombus in more than 50% of the filter on 2026-02-01. That is more than 25%"},
		"thrombus > 25":      {rules.Measure{Sign: rules.ThrombusShare, Value: 25, Form: rules.Above}, plan.Present, "defer", ""},
		"thrombus >= 25":     {rules.Measure{Sign: rules.ThrombusShare, Value: 25, Form: rules.AtLeast}, plan.Present, "image", "at least 25%"},
		"thrombus > 24":      {rules.Measure{Sign: rules.ThrombusShare, Value: 24, Form: rules.Above}, plan.Present, "image", ""},
		"thrombus < 25":      {rules.Measure{Sign: rules.ThrombusShare, Value: 25, Form: rules.Below}, plan.NotKnown, "standard", "less than 25%"},
		"thrombus <= 25":     {rules.Measure{Sign: rules.ThrombusShare, Value: 25, Form: rules.AtMost}, plan.NotKnown, "standard", ""},
		"thrombus < 50":      {rules.Measure{Sign: rules.ThrombusShare, Value: 50, Form: rules.Below}, plan.NotKnown, "image", ""},
		"thrombus <= 0":      {rules.Measure{Sign: rules.ThrombusShare, Form: rules.AtMost}, plan.Absent, "standard", ""},
		"thrombus 40 to 60":  {rules.Measure{Sign: rules.ThrombusShare, Value: 40, Top: 60, Form: rules.Between}, plan.Present, "defer", "40 to 60%"},
		"thrombus 20 to 30":  {rules.Measure{Sign: rules.ThrombusShare, Value: 20, Top: 30, Form: rules.Between}, plan.Present, "image", ""},
		"thrombus 10 to 25":  {rules.Measure{Sign: rules.ThrombusShare, Value: 10, Top: 25, Form: rules.Between}, plan.Present, "standard", ""},
		"thrombus, how much": {rules.Measure{Sign: rules.ThrombusShare, Form: rules.Some}, plan.Present, "image", "how much is not told"},
		"tilt > 15":          {rules.Measure{Sign: rules.Tilt, Value: 15, Form: rules.Above}, plan.Present, "advanced", "Tilt more than 15 degrees"},
		"tilt >= 15":         {rules.Measure{Sign: rules.Tilt, Value: 15, Form: rules.AtLeast}, plan.Present, "image", ""},
		"tilt < 5":           {rules.Measure{Sign: rules.Tilt, Value: 5, Form: rules.Below}, plan.Absent, "standard", ""},
		"tilt < 10":          {rules.Measure{Sign: rules.Tilt, Value: 10, Form: rules.Below}, plan.NotKnown, "standard", ""},
		"tilt < 20":          {rules.Measure{Sign: rules.Tilt, Value: 20, Form: rules.Below}, plan.NotKnown, "image", ""},
		"grade 1 to 2":       {rules.Measure{Sign: rules.Grade, Value: 1, Top: 2, Form: rules.Between}, plan.Present, "standard", "Grade 1 to 2 on a scale"},
		"grade < 2":          {rules.Measure{Sign: rules.Grade, Value: 2, Form: rules.Below}, plan.NotKnown, "standard", ""},
	} {
		got := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10").measure(t, c.m, "2026-02-01").propose(t, "2026-03-05")
		code := map[rules.Sign]string{rules.ThrombusShare: "thrombus", rules.Tilt: "tilt", rules.Grade: "penetration"}[c.m.Sign]
		if p := predictor(t, got, code); p.State != c.some || !strings.Contains(p.Text, c.says) || got.Approach.First != c.first {
			t.Errorf("%s: %s, %s, %q", name, got.Approach.First, p.State, p.Text)
		}
	}
}

// TestSignsThatCannotBeUsed: what is recorded and could not be read, or names neither of two filters, is never passed over: no predictor
// says that nothing is on record, none is absent beside it, images come first, and people are asked.
func TestSignsThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	names := map[rules.Sign]string{rules.Tilt: "tilt", rules.HookEmbedded: "hook-embedded", rules.Grade: "penetration", rules.ThrombusShare: "thrombus", rules.CavaOccluded: "caval-occluded"}
	for sign, name := range names {
		for _, c := range []struct {
			unread, earlier bool
		}{{true, false}, {true, true}, {false, false}, {false, true}} {
			if sign == rules.CavaOccluded && !c.unread {
				continue // the cava is one
			}
			p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10").model("conical", "retrievable")
			if c.earlier { // an older entry of this filter says that nothing is there
				p = p.measure(t, rules.Measure{Sign: sign, Of: []filter.Ref{"Device/f"}}, "2026-01-10")
			}
			m := rules.Measure{Sign: sign, Value: 2}
			if c.unread {
				m.Unread, m.Of = "told in words", []filter.Ref{"Device/f"}
			}
			got := p.measure(t, m, "2026-02-01").proposeAmong(t, "2026-03-05", c.unread)
			ask := map[bool]string{true: "unread-signs", false: "which-filter"}[c.unread]
			if got.Approach.First != "image" || strings.Contains(got.Approach.Text, "nothing on record") || !slices.Contains(got.Approach.Evidence, "Observation/"+string(sign)) {
				t.Errorf("%s, %+v: %+v", sign, c, got.Approach)
			}
			if !slices.ContainsFunc(got.Asks, func(a plan.Ask) bool { return a.What == ask && strings.Contains(a.Text, plan.Name(name)) }) {
				t.Errorf("%s, %+v: not asked", sign, c)
			}
			if !slices.ContainsFunc(got.Notes, func(n plan.Statement) bool {
				return slices.Contains(n.Evidence, "Observation/"+string(sign)) && strings.Contains(n.Text, plan.Name(name))
			}) {
				t.Errorf("%s, %+v: no note", sign, c)
			}
			if scan := got.Imaging.Advice[1]; scan.Need != "recommended" || !slices.Contains(scan.Because, name) {
				t.Errorf("%s, %+v: %+v", sign, c, scan)
			}
			if sign == rules.CavaOccluded {
				continue
			}
			x := predictor(t, got, name)
			says := map[bool]string{true: "could not be read (told in words)", false: "does not say of which filter"}[c.unread]
			if x.State != plan.NotKnown || !strings.Contains(x.Text, says) || strings.Contains(x.Text, "on record") || !slices.Contains(x.Evidence, "Observation/"+string(sign)) {
				t.Errorf("%s, %+v: %+v", sign, c, x)
			}
		}
	}
}

// TestDoubtsOnlyWhereTheyAreYoung: an entry older than one that was read is passed over; one without a day is not, and one beside what
// speaks for advanced technique leaves that standing.
func TestDoubtsOnlyWhereTheyAreYoung(t *testing.T) {
	t.Parallel()
	p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10").measure(t, rules.Measure{Sign: rules.Tilt, Value: 2}, "2026-02-01")
	older := p.measure(t, rules.Measure{Sign: rules.Tilt, Unread: "why"}, "2026-01-10").propose(t, "2026-03-05")
	if older.Approach.First != "standard" || predictor(t, older, "tilt").State != plan.Absent {
		t.Errorf("an older one: %s", older.Approach.First)
	}
	undated := p
	undated.facts.Measures = append(slices.Clone(p.facts.Measures), rules.Measure{Sign: rules.Tilt, Unread: "without a day", When: filter.Unknown(), Evidence: []filter.Ref{"Observation/u"}})
	if got := undated.propose(t, "2026-03-05"); got.Approach.First != "image" || predictor(t, got, "tilt").State != plan.NotKnown {
		t.Errorf("one without a day: %s", got.Approach.First)
	}
	hook := p.measure(t, rules.Measure{Sign: rules.HookEmbedded, Yes: true}, "2026-01-10").measure(t, rules.Measure{Sign: rules.HookEmbedded, Unread: "why"}, "2026-02-10").propose(t, "2026-03-05")
	if hook.Approach.First != "image" || !hook.Approach.Complex || predictor(t, hook, "hook-embedded").State != plan.Present || !strings.Contains(hook.Approach.Text, "Advanced technique is likely") {
		t.Errorf("beside a hook in the wall: %+v", hook.Approach)
	}
}

// TestEntriesOfOneDayThatDisagree: the one that asks for more care counts, all are named, and the plan lists the disagreement; values that
// come to the same, or are of different days, are none.
func TestEntriesOfOneDayThatDisagree(t *testing.T) {
	t.Parallel()
	const d = "2026-02-01"
	for name, c := range map[string]struct {
		a, b rules.Measure
		says string // "" for no disagreement
	}{
		"tilt":              {rules.Measure{Sign: rules.Tilt, Value: 3}, rules.Measure{Sign: rules.Tilt, Value: 25}, "Entries of 2026-02-01 disagree: tilt 25 degrees, tilt 3 degrees. The one that asks for more care counts."},
		"tilt, alike":       {rules.Measure{Sign: rules.Tilt, Value: 8}, rules.Measure{Sign: rules.Tilt, Value: 9}, ""},
		"hook":              {rules.Measure{Sign: rules.HookEmbedded}, rules.Measure{Sign: rules.HookEmbedded, Yes: true}, "hook embedded, hook embedded denied"},
		"thrombus":          {rules.Measure{Sign: rules.ThrombusShare, Value: 10}, rules.Measure{Sign: rules.ThrombusShare, Value: 40}, "thrombus in 40% of the filter, thrombus in 10% of the filter"},
		"grade":             {rules.Measure{Sign: rules.Grade}, rules.Measure{Sign: rules.Grade, Value: 2, Scale: "A"}, "grade 2 on the scale \"A\", grade 0 on a scale that the entry does not name"},
		"cava":              {rules.Measure{Sign: rules.CavaOccluded}, rules.Measure{Sign: rules.CavaOccluded, Yes: true}, "occluded cava, occluded cava denied"},
		"vein":              {rules.Measure{Sign: rules.JugularPatent, Side: "right", Yes: true}, rules.Measure{Sign: rules.JugularPatent, Side: "right"}, "right jugular vein not open, right jugular vein open"},
		"two sides of them": {rules.Measure{Sign: rules.JugularPatent, Side: "right", Yes: true}, rules.Measure{Sign: rules.JugularPatent, Side: "left"}, ""},
	} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10").measure(t, c.a, d).measure(t, c.b, d)
		p.facts.Measures[0].Evidence, p.facts.Measures[1].Evidence = []filter.Ref{"Observation/a"}, []filter.Ref{"Observation/b"}
		got := p.propose(t, "2026-03-05")
		var said []string
		for _, x := range got.Disagreements {
			said = append(said, x.Text)
			if diff := cmp.Diff([]filter.Ref{"Observation/a", "Observation/b"}, x.Evidence); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
		if c.says == "" && len(said) > 0 || c.says != "" && (len(said) != 1 || !strings.Contains(said[0], c.says)) {
			t.Errorf("%s: %q", name, said)
		}
		told := 0
		for _, x := range got.Predictors {
			if c.says != "" && strings.Contains(x.Text, c.says) && len(x.Evidence) >= 2 && x.State == plan.Present {
				told++
			}
		}
		for _, r := range got.Routes {
			if c.says != "" && strings.Contains(r.Text, c.says) && len(r.Evidence) == 2 && r.State == "not open" {
				told++
			}
		}
		if c.says != "" && told != 1 && name != "cava" {
			t.Errorf("%s: told in %d places", name, told)
		}
		p.facts.Measures[1].When = on(t, "2026-02-02")
		if later := p.propose(t, "2026-03-05"); len(later.Disagreements) != 0 {
			t.Errorf("%s, a day on: %v", name, later.Disagreements)
		}
	}
}

// TestExaminationOfTheMonthThatRuns: what is said to be made is on record though its month is not over, with the days as they are told; what
// is not, or begins only later, is not.
func TestExaminationOfTheMonthThatRuns(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		from, to string
		done     bool
		want     int
	}{
		"this month, made":     {"2026-03-01", "2026-03-31", true, 1},
		"this month, not made": {"2026-03-01", "2026-03-31", false, 0},
		"next month, made":     {"2026-04-01", "2026-04-30", true, 0},
		"last month, not made": {"2026-02-01", "2026-02-28", false, 1},
	} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10")
		when := span(t, c.from, c.to)
		p.facts.Studies = []rules.Study{{Modality: "cavogram", When: when, Done: c.done, Evidence: []filter.Ref{"DiagnosticReport/r"}}}
		p.facts.Measures = []rules.Measure{{Sign: rules.HookEmbedded, Yes: true, When: when, Done: c.done, Evidence: []filter.Ref{"DiagnosticReport/r"}}}
		got := p.propose(t, "2026-03-05")
		if len(got.Imaging.OnRecord) != c.want || (predictor(t, got, "hook-embedded").State == plan.Present) != (c.want == 1) {
			t.Errorf("%s: %+v, %+v", name, got.Imaging.OnRecord, predictor(t, got, "hook-embedded"))
		}
		if c.want == 1 && got.Imaging.OnRecord[0].Day != when.String() {
			t.Errorf("%s: %s", name, got.Imaging.OnRecord[0].Day)
		}
	}
}
