package plan_test

import (
	"strings"
	"testing"

	"dwellwatch/internal/plan"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// TestLimitsAreThoseOfSIR2019: the limits of the Society of Interventional Radiology's consensus of 2019 (JVIR 2019;30:1168-1184,
// Table 3, as summarised and posted by others): INR at most 2.0-3.0 and platelets from 20 for a low bleeding risk, INR at most 1.5-1.8
// and platelets from 50 for a high one. The range is read as pass, operator decides, correct (choice).
func TestLimitsAreThoseOfSIR2019(t *testing.T) {
	t.Parallel()
	p := policy.Default()
	for _, c := range []struct {
		inr       float64
		low, high string
	}{
		{1.4, plan.Passes, plan.Passes}, {1.5, plan.Passes, plan.Passes}, {1.51, plan.Passes, plan.Operator}, {1.6, plan.Passes, plan.Operator}, {1.7, plan.Passes, plan.Operator}, {1.8, plan.Passes, plan.Operator},
		{1.81, plan.Passes, plan.Correct}, {1.9, plan.Passes, plan.Correct}, {2.0, plan.Passes, plan.Correct}, {2.1, plan.Operator, plan.Correct}, {2.9, plan.Operator, plan.Correct}, {3.0, plan.Operator, plan.Correct}, {3.1, plan.Correct, plan.Correct},
	} {
		if got := plan.JudgeINR(c.inr, p.INRLowPass, p.INRLowCorrect); got != c.low {
			t.Errorf("INR %v, low risk: %s, want %s", c.inr, got, c.low)
		}
		if got := plan.JudgeINR(c.inr, p.INRHighPass, p.INRHighCorrect); got != c.high {
			t.Errorf("INR %v, high risk: %s, want %s", c.inr, got, c.high)
		}
	}
	for _, c := range []struct {
		count     float64
		low, high string
	}{{19, plan.Correct, plan.Correct}, {20, plan.Passes, plan.Correct}, {21, plan.Passes, plan.Correct}, {49, plan.Passes, plan.Correct}, {50, plan.Passes, plan.Passes}, {51, plan.Passes, plan.Passes}} {
		if got := plan.JudgePlatelets(c.count, p.PlateletsLow); got != c.low {
			t.Errorf("platelets %v, low risk: %s, want %s", c.count, got, c.low)
		}
		if got := plan.JudgePlatelets(c.count, p.PlateletsHigh); got != c.high {
			t.Errorf("platelets %v, high risk: %s, want %s", c.count, got, c.high)
		}
	}
}

// TestContrastIsThatOfACRNKF: ACR-NKF consensus, Radiology 2020;294:660-668: below 30 mL/min/1.73 m² a high risk, 30 to 44 only single
// patients, none from 45 on.
func TestContrastIsThatOfACRNKF(t *testing.T) {
	t.Parallel()
	p := policy.Default()
	for rate, want := range map[float64]string{29: "high", 29.9: "high", 30: "single patients", 31: "single patients", 44: "single patients", 44.9: "single patients", 45: "not raised", 46: "not raised"} {
		if got := plan.Filtration(rate, p.FiltrationLow, p.FiltrationWatch); got != want {
			t.Errorf("%v: %s, want %s", rate, got, want)
		}
	}
}

// TestTestsOnlyWhereTheyChangeSomething: tests and contrast stand there only where a complex removal is likely, or under a vitamin K
// antagonist or heparin (SIR 2020: no routine tests before a planned removal).
func TestTestsOnlyWhereTheyChangeSomething(t *testing.T) {
	t.Parallel()
	const asOf = "2026-03-05"
	for name, c := range map[string]struct {
		p        patient
		needed   bool
		category string
		tests    string
	}{
		"apixaban, nothing hard":   {quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20"), false, "low", ""},
		"enoxaparin, nothing hard": {quiet(t).takes(t, "enoxaparin", 80, 2, "2025-12-20").lab(t, "weight", 80, "2026-03-01"), false, "low", ""},
		"warfarin":                 {quiet(t).takes(t, "warfarin", 5, 1, "2025-12-20").lab(t, "inr", 2.5, "2026-03-01"), true, "low", "INR=operator decides"},
		"warfarin, INR 3.4":        {quiet(t).takes(t, "warfarin", 5, 1, "2025-12-20").lab(t, "inr", 3.4, "2026-03-01"), true, "low", "INR=correct"},
		"warfarin, INR too old":    {quiet(t).takes(t, "warfarin", 5, 1, "2025-12-20").lab(t, "inr", 2.5, "2026-01-21"), true, "low", "INR=not known"},
		"heparin":                  {quiet(t).takes(t, "heparin", 5000, 2, "2025-12-20").lab(t, "platelets", 19, "2026-03-01"), true, "low", "INR=not known platelets=correct"},
		"steep tilt": {quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").measure(t, rules.Measure{Sign: rules.Tilt, Value: 20}, "2026-02-01").lab(t, "platelets", 49, "2026-03-01").lab(t, "inr", 1.6, "2026-03-01").lab(t, "haemoglobin", 11, "2026-03-01"),
			true, "high", "INR=operator decides platelets=correct haemoglobin=operator decides"},
	} {
		got := c.p.propose(t, asOf).Laboratory
		var tests []string
		for _, x := range got.Tests {
			tests = append(tests, x.Name+"="+x.Result)
		}
		if got.Needed != c.needed || got.Category != c.category || strings.Join(tests, " ") != c.tests || (got.Contrast != nil) != c.needed {
			t.Errorf("%s: needed %v, %s, %v, contrast %v", name, got.Needed, got.Category, tests, got.Contrast)
		}
	}
}

// TestContrastFromACreatinine: E10 of the clinical notes: a woman of 72 with a creatinine of 2.4 mg/dL has 20.9344; E7: a man of 60 with
// 1.4 has 57.5394 (both worked out from the published equation, CKD-EPI 2021).
func TestContrastFromACreatinine(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		born, sex  string
		creatinine float64
		rate       float64
		risk       string
	}{{"1954-01-01", "female", 2.4, 20.9, "high"}, {"1966-01-01", "male", 1.4, 57.5, "not raised"}} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").tried(t, "2026-01-10").lab(t, "creatinine", c.creatinine, "2026-03-01")
		p.facts.Body = rules.Body{Born: on(t, c.born), Sex: c.sex}
		got := p.propose(t, "2026-03-05").Laboratory.Contrast
		if got == nil || got.Filtration == nil || *got.Filtration != c.rate || got.Risk != c.risk || *got.Day != "2026-03-01" {
			t.Errorf("%+v", got)
		}
	}
}

// TestContrastBeforeASimpleRemoval: a cavogram is made at every removal, so that a filtration on record below 45 is told though no test is
// needed; one from 45 on, or none, is not. Men born on 1958-02-01, by CKD-EPI 2021: 1.7 gives 43.4, 1.6 gives 46.6, 2.5 gives 27.3.
func TestContrastBeforeASimpleRemoval(t *testing.T) {
	t.Parallel()
	for creatinine, want := range map[float64]string{0: "", 1.6: "", 1.7: "single patients", 2.5: "high"} {
		p := quiet(t).takes(t, "enoxaparin", 80, 2, "2025-12-20").lab(t, "weight", 80, "2026-03-01")
		p.facts.Body = rules.Body{Born: on(t, "1958-02-01"), Sex: "male"}
		if creatinine > 0 {
			p = p.lab(t, "creatinine", creatinine, "2026-03-01")
		}
		got := p.propose(t, "2026-03-05").Laboratory
		risk := ""
		if got.Contrast != nil {
			risk = got.Contrast.Risk
		}
		if got.Needed || risk != want {
			t.Errorf("creatinine %v: needed %v, contrast %+v", creatinine, got.Needed, got.Contrast)
		}
	}
}

// TestContrastTakesTheLowerEnd: where only the year of birth is known the lower estimate decides. Born in 1958 the man is 68 or 67 on
// 2026-03-01; at 1.65 mg/dL that is 44.95 or 45.23, on two sides of 45.
func TestContrastTakesTheLowerEnd(t *testing.T) {
	t.Parallel()
	p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").tried(t, "2026-01-10").lab(t, "creatinine", 1.65, "2026-03-01")
	p.facts.Body = rules.Body{Born: span(t, "1958-01-01", "1958-12-31"), Sex: "male"}
	got := p.propose(t, "2026-03-05").Laboratory.Contrast
	if got.Risk != "single patients" || *got.Filtration != 44.9 {
		t.Errorf("%+v", got)
	}
}

// TestTestsToldByALimit: a limit is judged where it settles the band, and is left to the operator where it does not; no number is shown for
// it.
func TestTestsToldByALimit(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		what  string
		value float64
		form  rules.Form
		want  string
		says  string
	}{
		"platelets < 50":  {"platelets", 50, rules.Below, plan.Correct, "less than 50 × 10⁹/L"},
		"platelets < 100": {"platelets", 100, rules.Below, plan.Operator, ""},
		"platelets > 50":  {"platelets", 50, rules.Above, plan.Passes, ""},
		"platelets > 20":  {"platelets", 20, rules.Above, plan.Operator, ""},
		"INR > 3.0":       {"inr", 3, rules.Above, plan.Correct, "more than 3 on"},
		"INR > 1.2":       {"inr", 1.2, rules.Above, plan.Operator, ""},
		"INR < 1.5":       {"inr", 1.5, rules.Below, plan.Passes, ""},
	} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").tried(t, "2026-01-10").lab(t, c.what, c.value, "2026-03-01")
		p.facts.Labs[0].Form = c.form
		for _, x := range p.propose(t, "2026-03-05").Laboratory.Tests {
			if strings.EqualFold(x.Name, c.what) && (x.Result != c.want || x.Value != nil || !strings.Contains(x.Text, c.says)) {
				t.Errorf("%s: %s, %v, %q", name, x.Result, x.Value, x.Text)
			}
		}
	}
}
