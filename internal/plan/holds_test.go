package plan_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// TestHoldsAreThoseOfSIR2019: the Society of Interventional Radiology's consensus of 2019 (JVIR 2019;30:1168-1184), Table 4, the column
// for a high bleeding risk, row by row. The rows are a transcription by others, typed here by hand a second time; the primary table was
// not opened. At every limit of the clearance stand the value below, the limit, and the value above. What needs a clinician is what the
// transcription does not settle (below 30 for apixaban and dabigatran, whose row reads "< 30-50"; below 15 for all that the kidneys
// clear; an agent without a row).
func TestHoldsAreThoseOfSIR2019(t *testing.T) {
	t.Parallel()
	unknown := math.NaN()
	const needs = "NEEDS-CLINICIAN"
	for _, c := range []struct {
		agent         string
		level         rules.Level
		clearance     float64
		hold, restart string
	}{
		{"heparin", rules.Therapeutic, unknown, "into a vein: 4 to 6 h, check aPTT or anti-Xa", "6 to 8 h after"},
		{"heparin", rules.Prophylactic, unknown, "under the skin two or three times a day: procedure 6 h after the last dose", "6 to 8 h after"},
		{"heparin", rules.Indeterminate, unknown, needs, needs},
		{"heparin", rules.Therapeutic, 10, "into a vein: 4 to 6 h, check aPTT or anti-Xa", "6 to 8 h after"},

		{"enoxaparin", rules.Prophylactic, unknown, "1 dose", "12 h after"},
		{"enoxaparin", rules.Prophylactic, 14, needs, needs}, {"enoxaparin", rules.Prophylactic, 15, "1 dose", "12 h after"}, {"enoxaparin", rules.Prophylactic, 16, "1 dose", "12 h after"},
		{"enoxaparin", rules.Therapeutic, unknown, "2 doses or 24 h; anti-Xa where the kidneys are impaired", "12 h after"},
		{"enoxaparin", rules.Therapeutic, 14, needs, needs}, {"enoxaparin", rules.Therapeutic, 15, "2 doses or 24 h; anti-Xa where the kidneys are impaired", "12 h after"}, {"enoxaparin", rules.Therapeutic, 16, "2 doses or 24 h; anti-Xa where the kidneys are impaired", "12 h after"},
		{"enoxaparin", rules.Indeterminate, 80, needs, needs},

		{"dalteparin", rules.Therapeutic, unknown, "1 dose", "12 h after"}, {"dalteparin", rules.Prophylactic, unknown, "1 dose", "12 h after"},
		{"dalteparin", rules.Therapeutic, 14, needs, needs}, {"dalteparin", rules.Therapeutic, 15, "1 dose", "12 h after"}, {"dalteparin", rules.Therapeutic, 16, "1 dose", "12 h after"},

		{"fondaparinux", rules.Therapeutic, 51, "2 to 3 d", "24 h after"}, {"fondaparinux", rules.Therapeutic, 50, "2 to 3 d", "24 h after"}, {"fondaparinux", rules.Therapeutic, 49, "3 to 5 d", "24 h after"},
		{"fondaparinux", rules.Therapeutic, 16, "3 to 5 d", "24 h after"}, {"fondaparinux", rules.Therapeutic, 15, "3 to 5 d", "24 h after"}, {"fondaparinux", rules.Therapeutic, 14, needs, needs},
		{"fondaparinux", rules.Therapeutic, unknown, needs, "24 h after"},

		{"argatroban", rules.Indeterminate, unknown, "2 to 4 h, check the aPTT", "4 to 6 h after"},
		{"bivalirudin", rules.Indeterminate, unknown, "2 to 4 h, check the aPTT", "4 to 6 h after"},
		{"bivalirudin", rules.Indeterminate, 14, needs, needs}, {"bivalirudin", rules.Indeterminate, 15, "2 to 4 h, check the aPTT", "4 to 6 h after"}, {"bivalirudin", rules.Indeterminate, 16, "2 to 4 h, check the aPTT", "4 to 6 h after"},
		{"warfarin", rules.Therapeutic, unknown, "5 d, until the INR is at most 1.8; bridging only after weighing", "the day after"},
		{"warfarin", rules.Indeterminate, 10, "5 d, until the INR is at most 1.8; bridging only after weighing", "the day after"},

		{"apixaban", rules.Therapeutic, 51, "4 doses", "24 h after"}, {"apixaban", rules.Therapeutic, 50, "4 doses", "24 h after"}, {"apixaban", rules.Therapeutic, 49, "6 doses", "24 h after"},
		{"apixaban", rules.Therapeutic, 31, "6 doses", "24 h after"}, {"apixaban", rules.Therapeutic, 30, "6 doses", "24 h after"}, {"apixaban", rules.Therapeutic, 29, needs, needs},
		{"apixaban", rules.Reduced, 16, needs, needs}, {"apixaban", rules.Reduced, 15, needs, needs}, {"apixaban", rules.Reduced, 14, needs, needs}, {"apixaban", rules.Reduced, unknown, needs, "24 h after"},

		{"betrixaban", rules.Indeterminate, unknown, "3 doses", "24 h after"},
		{"betrixaban", rules.Indeterminate, 14, needs, needs}, {"betrixaban", rules.Indeterminate, 15, "3 doses", "24 h after"}, {"betrixaban", rules.Indeterminate, 16, "3 doses", "24 h after"},

		{"dabigatran", rules.Therapeutic, 51, "4 doses", "24 h after"}, {"dabigatran", rules.Therapeutic, 50, "4 doses", "24 h after"}, {"dabigatran", rules.Therapeutic, 49, "6 to 8 doses", "24 h after"},
		{"dabigatran", rules.Therapeutic, 31, "6 to 8 doses", "24 h after"}, {"dabigatran", rules.Therapeutic, 30, "6 to 8 doses", "24 h after"}, {"dabigatran", rules.Therapeutic, 29, needs, needs},
		{"dabigatran", rules.Therapeutic, 16, needs, needs}, {"dabigatran", rules.Therapeutic, 15, needs, needs}, {"dabigatran", rules.Therapeutic, 14, needs, needs}, {"dabigatran", rules.Therapeutic, unknown, needs, "24 h after"},

		{"edoxaban", rules.Therapeutic, unknown, "2 doses", "24 h after"},
		{"edoxaban", rules.Therapeutic, 16, "2 doses", "24 h after"}, {"edoxaban", rules.Therapeutic, 15, "2 doses", "24 h after"}, {"edoxaban", rules.Therapeutic, 14, needs, needs},

		{"rivaroxaban", rules.Therapeutic, 51, "2 doses", "24 h after"}, {"rivaroxaban", rules.Therapeutic, 31, "2 doses", "24 h after"}, {"rivaroxaban", rules.Therapeutic, 30, "2 doses", "24 h after"}, {"rivaroxaban", rules.Therapeutic, 29, "3 doses", "24 h after"},
		{"rivaroxaban", rules.Therapeutic, 16, "3 doses", "24 h after"}, {"rivaroxaban", rules.Therapeutic, 15, "3 doses", "24 h after"}, {"rivaroxaban", rules.Therapeutic, 14, needs, needs}, {"rivaroxaban", rules.Therapeutic, unknown, needs, "24 h after"},

		{"tinzaparin", rules.Indeterminate, 80, needs, needs}, {"nadroparin", rules.Indeterminate, 80, needs, needs}, {"desirudin", rules.Indeterminate, 80, needs, needs},
		{"acenocoumarol", rules.Therapeutic, 80, needs, needs}, {"phenprocoumon", rules.Therapeutic, 80, needs, needs},
	} {
		hold, restart, clinician := plan.Hold(c.agent, c.level, c.clearance)
		if hold != c.hold || restart != c.restart || clinician != (c.hold == needs) {
			t.Errorf("%s %s at %v mL/min: hold %q, restart %q, clinician %v; want %q, %q", c.agent, c.level, c.clearance, hold, restart, clinician, c.hold, c.restart)
		}
	}
}

// TestRowsDoNotOverlap: for every agent, level and clearance there is one row or none.
func TestRowsDoNotOverlap(t *testing.T) {
	t.Parallel()
	var agents []string
	for _, r := range plan.Holds() {
		if r.Lowest >= r.Below || r.Hold == "" || r.Restart == "" {
			t.Errorf("%+v", r)
		}
		agents = append(agents, r.Agent)
	}
	slices.Sort(agents)
	for _, agent := range slices.Compact(agents) {
		for _, level := range []rules.Level{rules.Therapeutic, rules.Prophylactic} {
			for clearance := 0.0; clearance < 120; clearance += 0.5 {
				n := 0
				for _, r := range plan.Holds() {
					if r.Agent == agent && (r.Level == "" || r.Level == level) && clearance >= r.Lowest && clearance < r.Below {
						n++
					}
				}
				if n > 1 {
					t.Errorf("%s %s at %v: %d rows", agent, level, clearance, n)
				}
			}
		}
	}
}

// TestHoldShowsWhatDecided: the clearance by Cockcroft and Gault stands there with the weight as measured; it is worked out here by hand:
// a man born on 1958-02-01 is 68 on 2026-02-20; (140-68) x 90 / (72 x 1.9) = 47.368 mL/min, so six doses. With 95.0 kg it is exactly 50,
// the better band: four doses. Without a weight a clinician decides.
func TestHoldShowsWhatDecided(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kilos     float64
		hold      string
		clearance string
	}{{90, "6 doses", "47.3"}, {94.9, "6 doses", "49.9"}, {95, "4 doses", "50.0"}, {0, "NEEDS-CLINICIAN", ""}} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").lab(t, "creatinine", 1.9, "2026-02-20")
		p.facts.Body = rules.Body{Born: on(t, "1958-02-01"), Sex: "male", Evidence: []filter.Ref{"Patient/p"}}
		if c.kilos > 0 {
			p = p.lab(t, "weight", c.kilos, "2026-02-19")
		}
		got := p.propose(t, "2026-03-05").Anticoagulation
		if len(got.Holds) != 1 || got.Holds[0].Hold != c.hold || got.Holds[0].Agent != "apixaban" || got.Holds[0].NeedsClinician != (c.clearance == "") {
			t.Errorf("%v kg: %+v", c.kilos, got.Holds)
			continue
		}
		h := got.Holds[0]
		if !strings.HasPrefix(h.Text, "Only if a complex removal is planned: ") {
			t.Errorf("the hold stands without its condition: %q", h.Text)
		}
		if c.clearance == "" {
			if h.Clearance != nil || !strings.Contains(h.Text, "4 doses (clearance from 50)") || !strings.Contains(h.Text, "6 doses (clearance from 30 to below 50)") {
				t.Errorf("without a weight: %q", h.Text)
			}
			continue
		}
		if h.Clearance == nil || fmt.Sprintf("%.1f", h.Clearance.Low) != c.clearance || h.Clearance.WeightKg != c.kilos || h.Clearance.WeightDay != "2026-02-19" ||
			!strings.Contains(h.Text, fmt.Sprintf("weight %v kg of 2026-02-19", c.kilos)) {
			t.Errorf("%v kg: %+v %q", c.kilos, h.Clearance, h.Text)
		}
	}
}

// TestBirthdayOnTwoSidesOfALimit: where only the year of birth is known and the clearance can lie on both sides of 50, a clinician decides.
// Born in 1958 the man is 67 or 68 on 2026-02-20: 73 or 72 x 94.5 / 136.8 = 50.4 or 49.7.
func TestBirthdayOnTwoSidesOfALimit(t *testing.T) {
	t.Parallel()
	p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").lab(t, "creatinine", 1.9, "2026-02-20").lab(t, "weight", 94.5, "2026-02-19")
	p.facts.Body = rules.Body{Born: span(t, "1958-01-01", "1958-12-31"), Sex: "male"}
	h := p.propose(t, "2026-03-05").Anticoagulation.Holds[0]
	if h.Hold != plan.NeedsClinician || !strings.Contains(h.Text, "49.7 to 50.4 mL/min") {
		t.Errorf("%+v", h)
	}
}

// TestContinueIsTheDefault: the default line goes on with what is prescribed, whatever is planned.
func TestContinueIsTheDefault(t *testing.T) {
	t.Parallel()
	got := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").propose(t, "2026-03-05").Anticoagulation
	if !strings.HasPrefix(got.Default.Text, "Continue at the removal what is prescribed: apixaban (therapeutic).") || !strings.HasPrefix(got.Condition, "Only if a complex removal is planned") {
		t.Errorf("%q, %q", got.Default.Text, got.Condition)
	}
}

// TestRedUntil: a thrombosis of 2025-12-01 is acute through the day before the same calendar day three months on (CHEST 2022: younger
// than three months is a high thrombotic risk).
func TestRedUntil(t *testing.T) {
	t.Parallel()
	p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20")
	for asOf, red := range map[string]bool{"2026-02-27": true, "2026-02-28": true, "2026-03-01": false, "2026-03-02": false} {
		got := p.propose(t, asOf).Anticoagulation
		if strings.Contains(got.Holds[0].Text, "acute until 2026-03-01") != red {
			t.Errorf("%s: the hold says %q", asOf, got.Holds[0].Text)
		}
		if got.Red != red || red != (got.RedUntil != nil) || red && *got.RedUntil != "2026-03-01" {
			t.Errorf("%s: red %v until %v", asOf, got.Red, got.RedUntil)
		}
	}
}

// TestNothingIsContinuedThatIsNotTaken: an order of which the record says later that it is not taken, and a treatment dose of which nobody
// knows since when, are neither continued nor held by the table, and their level is the answer's.
func TestNothingIsContinuedThatIsNotTaken(t *testing.T) {
	t.Parallel()
	body := rules.Body{Born: on(t, "1958-02-01"), Sex: "male"}
	with := func(p patient) patient {
		p.facts.Body = body
		return p.lab(t, "creatinine", 1, "2026-02-20").lab(t, "weight", 80, "2026-02-20")
	}
	no := func(p patient, day string) patient {
		p.facts.NoAnticoagulant = []rules.Dated{{When: on(t, day), Agent: "apixaban", Made: on(t, day), Evidence: []filter.Ref{"MedicationStatement/no"}}}
		return p
	}
	undated := with(quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20"))
	undated.facts.Courses[0].Start, undated.facts.Courses[0].Authored = filter.Unknown(), filter.Unknown()
	again := no(with(quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").takes(t, "apixaban", 5, 2, "2026-02-20")), "2026-02-10")
	for name, c := range map[string]struct {
		p           patient
		level, hold string
		unsettled   bool
		says, never string
	}{
		"taken":             {with(quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20")), "therapeutic", "4 doses", false, "Continue at the removal what is prescribed: apixaban (therapeutic).", "not taken"},
		"not taken":         {no(with(quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20")), "2026-02-10"), "indeterminate", plan.NeedsClinician, true, "the record says later that it is not taken", "Continue at the removal"},
		"ordered anew":      {again, "therapeutic", "4 doses", false, "Continue at the removal what is prescribed: apixaban (therapeutic).", "not taken"},
		"of no known day":   {undated, "indeterminate", plan.NeedsClinician, true, "a treatment dose since no known day", "(therapeutic)"},
		"not taken, before": {no(with(quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20")), "2025-12-10"), "therapeutic", "4 doses", false, "", "not taken"},
	} {
		j := rules.NewBook().Evaluate(c.p.filter, c.p.facts, policy.Default(), filter.NewClock(day(t, "2026-03-05")))
		got := plan.Propose(j, true).Anticoagulation
		h := got.Holds[0]
		if string(j.Situation.Anticoagulation.Level) != c.level || h.Level != c.level || h.Hold != c.hold || h.NeedsClinician != (c.hold == plan.NeedsClinician) || got.Unsettled != c.unsettled {
			t.Errorf("%s: the answer says %s, the plan %+v, unsettled %v", name, j.Situation.Anticoagulation.Level, h, got.Unsettled)
		}
		if !strings.Contains(got.Default.Text, c.says) || strings.Contains(got.Default.Text, c.never) || c.never == "Continue at the removal" && !strings.Contains(h.Text, "is not taken") {
			t.Errorf("%s: %q, %q", name, got.Default.Text, h.Text)
		}
	}
}

// TestTwoTreatmentDosesAreSettledFirst: where more than one agent is, or may be, at a treatment dose, none is said to go on; a preventive
// dose beside one is no such case.
func TestTwoTreatmentDosesAreSettledFirst(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		p         patient
		unsettled bool
	}{
		"two":                  {quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").takes(t, "rivaroxaban", 20, 1, "2025-12-20"), true},
		"one and one that may": {quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").takes(t, "warfarin", 5, 1, "2025-12-20"), true},
		"one and a preventive": {quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").takes(t, "enoxaparin", 40, 1, "2025-12-20"), false},
	} {
		p := c.p.propose(t, "2026-03-05")
		got := p.Anticoagulation
		asked := slices.ContainsFunc(p.Asks, func(a plan.Ask) bool { return a.What == "anticoagulant-which" })
		if got.Unsettled != c.unsettled || asked != c.unsettled || strings.HasPrefix(got.Default.Text, "More than one anticoagulant is on order") != c.unsettled || strings.Contains(got.Default.Text, "Continue at") == c.unsettled {
			t.Errorf("%s: %q, unsettled %v, asked %v", name, got.Default.Text, got.Unsettled, asked)
		}
	}
}

// TestNoHoldInKidneyFailure: a creatinine that means a filtration below 15 gives no hold of what leaves by the kidneys, with or without a
// weight, age or sex; what does not leave by them has its hold. A man of 68: 4.2 mg/dL is 14.6 by CKD-EPI 2021, 4.0 is 15.5; in any adult
// 5.3 is 15.1 at most, 5.4 14.8.
func TestNoHoldInKidneyFailure(t *testing.T) {
	t.Parallel()
	man := rules.Body{Born: on(t, "1958-02-01"), Sex: "male"}
	for name, c := range map[string]struct {
		agent       string
		mg, perDay  float64
		body        rules.Body
		creatinine  float64
		kilos       float64
		hold, never string
	}{
		"edoxaban, 9":                     {"edoxaban", 60, 1, man, 9, 0, plan.NeedsClinician, "published hold"},
		"edoxaban, 4.2":                   {"edoxaban", 60, 1, man, 4.2, 0, plan.NeedsClinician, ""},
		"edoxaban, 4.0":                   {"edoxaban", 60, 1, man, 4.0, 0, "2 doses", ""},
		"edoxaban, 4.2 and very heavy":    {"edoxaban", 60, 1, man, 4.2, 200, plan.NeedsClinician, ""},
		"edoxaban, nobody knows who, 5.4": {"edoxaban", 60, 1, rules.Body{Born: filter.Unknown()}, 5.4, 0, plan.NeedsClinician, ""},
		"edoxaban, nobody knows who, 5.3": {"edoxaban", 60, 1, rules.Body{Born: filter.Unknown()}, 5.3, 0, "2 doses", ""},
		"warfarin, 9":                     {"warfarin", 5, 1, man, 9, 0, "5 d, until the INR is at most 1.8; bridging only after weighing", ""},
	} {
		p := quiet(t).takes(t, c.agent, c.mg, c.perDay, "2025-12-20").lab(t, "creatinine", c.creatinine, "2026-03-01")
		p.facts.Body = c.body
		if c.kilos > 0 {
			p = p.lab(t, "weight", c.kilos, "2026-03-01")
		}
		got := p.propose(t, "2026-03-05").Anticoagulation.Holds[0]
		if got.Hold != c.hold || c.never != "" && strings.Contains(got.Text, c.never) || c.hold == plan.NeedsClinician && !strings.Contains(got.Text, "means kidney failure") {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestHoldsAreForAdults: below 18 years, or where the birthday leaves that open, there is no hold, no clearance and no filtration.
func TestHoldsAreForAdults(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		born filter.Span
		hold string
	}{
		"8 years":            {on(t, "2018-01-01"), plan.NeedsClinician},
		"17, the day before": {on(t, "2008-03-06"), plan.NeedsClinician},
		"18 to the day":      {on(t, "2008-03-05"), "4 doses"},
		"17 or 18":           {span(t, "2008-01-01", "2008-12-31"), plan.NeedsClinician},
	} {
		p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-20").tried(t, "2026-01-10").lab(t, "creatinine", 0.8, "2026-03-05").lab(t, "weight", 60, "2026-03-05")
		p.facts.Body = rules.Body{Born: c.born, Sex: "male"}
		got := p.propose(t, "2026-03-05")
		h, child := got.Anticoagulation.Holds[0], c.hold == plan.NeedsClinician
		if h.Hold != c.hold || (h.Clearance == nil) != child || (got.Laboratory.Contrast.Filtration == nil) != child || child && !strings.Contains(h.Text, "for adults") {
			t.Errorf("%s: %+v, contrast %+v", name, h, got.Laboratory.Contrast)
		}
	}
}
