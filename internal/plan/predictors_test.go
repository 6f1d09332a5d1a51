package plan_test

import (
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// TestPredictors: what makes a predictor present, absent or not known. The day of the filter is 2025-12-01, asked on 2026-03-05 but
// where a case says otherwise. Silence never makes absent.
func TestPredictors(t *testing.T) {
	t.Parallel()
	tilt := func(degrees float64, day string) patient {
		return quiet(t).measure(t, rules.Measure{Sign: rules.Tilt, Value: degrees}, day)
	}
	grade := func(n float64, scale string) patient {
		return quiet(t).measure(t, rules.Measure{Sign: rules.Grade, Value: n, Scale: scale}, "2026-02-01")
	}
	share := func(percent float64) patient {
		return quiet(t).measure(t, rules.Measure{Sign: rules.ThrombusShare, Value: percent}, "2026-02-01")
	}
	month := quiet(t)
	month.filter.Placed = span(t, "2025-09-01", "2025-09-30")
	moved := tilt(20, "2026-01-10")
	moved.filter.Events = []filter.Event{{Kind: filter.Repositioning, When: on(t, "2026-01-20"), Evidence: []filter.Ref{"Procedure/moved"}}}
	twice := tilt(20, "2026-01-10").measure(t, rules.Measure{Sign: rules.Tilt, Value: 3}, "2026-02-10")
	earlier := tilt(20, "2025-11-01")
	later := tilt(20, "2026-03-06")
	for name, c := range map[string]struct {
		p         patient
		asOf      string
		predictor string
		state     plan.State
		says      string
	}{
		"6 months to the day":      {placedOn(t, "2025-09-05"), "2026-03-05", "dwell", plan.Absent, "6 months end 2026-03-05"},
		"6 months and a day":       {placedOn(t, "2025-09-04"), "2026-03-05", "dwell", plan.Present, "which ended 2026-03-04"},
		"a month, none past":       {month, "2026-03-01", "dwell", plan.Absent, ""},
		"a month, some past":       {month, "2026-03-15", "dwell", plan.NotKnown, "between 2026-03-01 and 2026-03-30"},
		"a month, all past":        {month, "2026-03-31", "dwell", plan.Present, ""},
		"no tilt":                  {quiet(t), "", "tilt", plan.NotKnown, "No tilt is on record"},
		"tilt 4.9":                 {tilt(4.9, "2026-02-01"), "", "tilt", plan.Absent, "Tilt 4.9 degrees on 2026-02-01."},
		"tilt 5":                   {tilt(5, "2026-02-01"), "", "tilt", plan.Present, ""},
		"tilt at placement":        {tilt(20, "2025-12-04"), "", "tilt", plan.NotKnown, "does not foretell"},
		"tilt 4 days on":           {tilt(20, "2025-12-05"), "", "tilt", plan.Present, ""},
		"tilt before placement":    {earlier, "", "tilt", plan.NotKnown, "No tilt is on record"},
		"tilt of the morrow":       {later, "", "tilt", plan.NotKnown, "No tilt is on record"},
		"tilt before it was moved": {moved, "", "tilt", plan.NotKnown, "before the filter was repositioned"},
		"two tilts, newest counts": {twice, "", "tilt", plan.Absent, "Tilt 3 degrees on 2026-02-10."},
		"hook in the wall":         {quiet(t).measure(t, rules.Measure{Sign: rules.HookEmbedded, Yes: true}, "2026-02-01"), "", "hook-embedded", plan.Present, "2026-02-01"},
		"hook free":                {quiet(t).measure(t, rules.Measure{Sign: rules.HookEmbedded}, "2026-02-01"), "", "hook-embedded", plan.Absent, "free on 2026-02-01"},
		"hook unsaid":              {quiet(t), "", "hook-embedded", plan.NotKnown, ""},
		"grade 0":                  {grade(0, "scale A"), "", "penetration", plan.Absent, "Grade 0 on the scale \"scale A\", on 2026-02-01."},
		"grade 1":                  {grade(1, ""), "", "penetration", plan.Present, "Grade 1 on a scale that the entry does not name"},
		"penetration coded":        {quiet(t).diagnosed(t, rules.Penetration, rules.Words{}, "2026-02-10"), "", "penetration", plan.Present, "2026-02-10"},
		"penetration unsaid":       {quiet(t), "", "penetration", plan.NotKnown, "does not exclude"},
		"fracture coded":           {quiet(t).diagnosed(t, rules.Fracture, rules.Words{}, "2026-02-10"), "", "fracture", plan.Present, "2026-02-10"},
		"thrombus 0 percent":       {share(0), "", "thrombus", plan.Absent, ""},
		"thrombus 25 percent":      {share(25), "", "thrombus", plan.Present, "Thrombus in 25% of the filter on 2026-02-01."},
		"thrombus 26 percent":      {share(26), "", "thrombus", plan.Present, "more than 25%: put the removal off, anticoagulate, image again"},
		"thrombus coded":           {quiet(t).diagnosed(t, rules.DeviceThrombosis, rules.Words{}, "2026-02-10"), "", "thrombus", plan.Present, "How much of the filter it fills is not on record."},
		"an attempt":               {quiet(t).tried(t, "2026-01-20"), "", "failed-attempt", plan.Present, "2026-01-20"},
		"two attempts":             {quiet(t).tried(t, "2026-01-20").tried(t, "2026-02-10"), "", "failed-attempt", plan.Present, "tried 2 times, last 2026-02-10"},
		"no attempt":               {quiet(t), "", "failed-attempt", plan.NotKnown, "No attempt is in the data received"},
		"double basket":            {quiet(t).model("double-basket", "retrievable"), "", "closed-cell-design", plan.Present, ""},
		"conical":                  {quiet(t).model("conical", "retrievable"), "", "closed-cell-design", plan.Absent, ""},
		"another design":           {quiet(t).model("other", "retrievable"), "", "closed-cell-design", plan.NotKnown, ""},
		"labelled for retrieval":   {quiet(t).model("conical", "retrievable"), "", "permanent-design", plan.Absent, ""},
	} {
		asOf := c.asOf
		if asOf == "" {
			asOf = "2026-03-05"
		}
		got := predictor(t, c.p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, asOf), c.predictor)
		if got.State != c.state || !strings.Contains(got.Text, c.says) {
			t.Errorf("%s: %s, %q", name, got.State, got.Text)
		}
		if c.state == plan.Absent && len(got.Evidence) == 0 {
			t.Errorf("%s: absent without an entry that says so", name)
		}
	}
}

// TestMeasuresOfOneOfTwoFilters: beside another filter only what names this one's device is used; of one filter, what names another is
// not.
func TestMeasuresOfOneOfTwoFilters(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		of    []filter.Ref
		alone bool
		want  plan.State
	}{
		"names none, alone":        {nil, true, plan.Present},
		"names none, two are in":   {nil, false, plan.NotKnown},
		"names it, two are in":     {[]filter.Ref{"Device/f"}, false, plan.Present},
		"names another, alone":     {[]filter.Ref{"Device/g"}, true, plan.NotKnown},
		"names another, two there": {[]filter.Ref{"Device/g"}, false, plan.NotKnown},
	} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").model("conical", "retrievable").measure(t, rules.Measure{Sign: rules.Tilt, Value: 9, Of: c.of}, "2026-02-01")
		if got := predictor(t, p.proposeAmong(t, "2026-03-05", c.alone), "tilt"); got.State != c.want {
			t.Errorf("%s: %s, %q", name, got.State, got.Text)
		}
	}
}

// TestNoPlanWhereNoneIsWanted: a filter to wait for has none.
func TestNoPlanWhereNoneIsWanted(t *testing.T) {
	t.Parallel()
	p := quiet(t).diagnosed(t, rules.Bleed, rules.Words{}, "2025-12-01")
	if got := p.proposeAmong(t, "2025-12-10", true); got != nil {
		t.Error("a plan stands beside wait")
	}
}
