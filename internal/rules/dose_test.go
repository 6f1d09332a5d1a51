package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestDoses: adult doses for VTE as US labels give them (from memory; to confirm on the current label), one line for each
// dose of the table, one for each neighbour that must not pass for it.
func TestDoses(t *testing.T) {
	t.Parallel()
	start, asOf := on(t, "2024-03-01"), day(t, "2024-06-01")
	for _, c := range []struct {
		agent      string
		mg, perDay float64
		want       rules.Level
	}{
		{"apixaban", 10, 2, "therapeutic"}, {"apixaban", 5, 2, "therapeutic"}, {"apixaban", 5, 1, "indeterminate"}, {"apixaban", 2.5, 2, "prophylactic"}, {"apixaban", 2.5, 1, "indeterminate"}, {"apixaban", 7.5, 2, "indeterminate"},
		{"rivaroxaban", 15, 2, "therapeutic"}, {"rivaroxaban", 20, 1, "therapeutic"}, {"rivaroxaban", 15, 1, "indeterminate"}, {"rivaroxaban", 10, 1, "prophylactic"}, {"rivaroxaban", 2.5, 2, "indeterminate"},
		{"dabigatran", 150, 2, "therapeutic"}, {"dabigatran", 220, 1, "prophylactic"}, {"dabigatran", 110, 2, "indeterminate"}, {"dabigatran", 150, 1, "indeterminate"},
		{"edoxaban", 60, 1, "therapeutic"}, {"edoxaban", 30, 1, "indeterminate"},
		{"enoxaparin", 40, 1, "prophylactic"}, {"enoxaparin", 30, 2, "prophylactic"}, {"enoxaparin", 30, 1, "prophylactic"}, {"enoxaparin", 40, 2, "prophylactic"}, {"enoxaparin", 80, 2, "indeterminate"},
		{"dalteparin", 2500, 1, "prophylactic"}, {"dalteparin", 5000, 1, "prophylactic"}, {"dalteparin", 7500, 1, "indeterminate"}, {"dalteparin", 5000, 2, "indeterminate"},
		{"fondaparinux", 2.5, 1, "prophylactic"}, {"fondaparinux", 7.5, 1, "indeterminate"},
		{"heparin", 5000, 2, "prophylactic"}, {"heparin", 5000, 3, "prophylactic"}, {"heparin", 25000, 1, "indeterminate"}, {"heparin", 5000, 1, "indeterminate"},
		{"warfarin", 5, 1, "indeterminate"}, {"argatroban", 50, 1, "indeterminate"}, {"tinzaparin", 14000, 1, "indeterminate"},
	} {
		facts := rules.Facts{Courses: []rules.Course{outpatient(c.agent, c.mg, c.perDay, start)}}
		if got := judge(placedFilter(start), facts, asOf).Situation.Anticoagulation.Level; got != c.want {
			t.Errorf("%s %v, %v a day: %s, want %s", c.agent, c.mg, c.perDay, got, c.want)
		}
	}
}

// TestDosesByWeight: 15 percent either way of the labelled dose per kg, edges included (the band is a design choice).
func TestDosesByWeight(t *testing.T) {
	t.Parallel()
	start, asOf := on(t, "2024-03-01"), day(t, "2024-06-01")
	for _, c := range []struct {
		agent             string
		mg, perDay, kilos float64
		weighed           string
		want              rules.Level
	}{
		{"enoxaparin", 80, 2, 80, "2024-05-31", "therapeutic"},
		{"enoxaparin", 68, 2, 80, "2024-05-31", "therapeutic"}, {"enoxaparin", 67.9, 2, 80, "2024-05-31", "indeterminate"},
		{"enoxaparin", 92, 2, 80, "2024-05-31", "therapeutic"}, {"enoxaparin", 92.1, 2, 80, "2024-05-31", "indeterminate"},
		{"enoxaparin", 120, 1, 80, "2024-05-31", "therapeutic"}, {"enoxaparin", 102, 1, 80, "2024-05-31", "therapeutic"}, {"enoxaparin", 101.9, 1, 80, "2024-05-31", "indeterminate"},
		{"enoxaparin", 138, 1, 80, "2024-05-31", "therapeutic"}, {"enoxaparin", 138.1, 1, 80, "2024-05-31", "indeterminate"},
		{"enoxaparin", 80, 1, 80, "2024-05-31", "indeterminate"},
		// A labelled preventive dose that is a treatment dose at this weight is left open; without a weight it is preventive.
		{"enoxaparin", 40, 2, 40, "2024-05-31", "indeterminate"}, {"enoxaparin", 40, 2, 41, "2024-05-31", "indeterminate"}, {"enoxaparin", 40, 2, 47.1, "2024-05-31", "prophylactic"},
		{"enoxaparin", 40, 2, 34.7, "2024-05-31", "prophylactic"}, {"enoxaparin", 40, 2, 70, "2024-05-31", "prophylactic"}, {"enoxaparin", 40, 2, 41, "2024-03-02", "prophylactic"},
		{"enoxaparin", 40, 1, 27, "2024-05-31", "indeterminate"}, {"enoxaparin", 40, 1, 41, "2024-05-31", "indeterminate"}, {"enoxaparin", 40, 1, 60, "2024-05-31", "prophylactic"},
		{"enoxaparin", 30, 2, 31, "2024-05-31", "indeterminate"}, {"enoxaparin", 30, 2, 50, "2024-05-31", "prophylactic"}, {"enoxaparin", 30, 0, 31, "2024-05-31", "indeterminate"},
		{"dalteparin", 5000, 1, 33, "2024-05-31", "indeterminate"}, {"dalteparin", 5000, 1, 70, "2024-05-31", "prophylactic"},
		{"fondaparinux", 2.5, 1, 40, "2024-05-31", "prophylactic"}, {"apixaban", 2.5, 2, 40, "2024-05-31", "prophylactic"},
		{"dalteparin", 16000, 1, 80, "2024-05-31", "therapeutic"}, {"dalteparin", 18400, 1, 80, "2024-05-31", "therapeutic"}, {"dalteparin", 18401, 1, 80, "2024-05-31", "indeterminate"},
		{"dalteparin", 12000, 1, 80, "2024-05-31", "therapeutic"}, {"dalteparin", 10200, 1, 80, "2024-05-31", "therapeutic"}, {"dalteparin", 10199, 1, 80, "2024-05-31", "indeterminate"},
		{"dalteparin", 8000, 2, 80, "2024-05-31", "therapeutic"}, {"dalteparin", 6800, 2, 80, "2024-05-31", "therapeutic"}, {"dalteparin", 6799, 2, 80, "2024-05-31", "indeterminate"},
		{"fondaparinux", 5, 1, 49.9, "2024-05-31", "therapeutic"}, {"fondaparinux", 5, 1, 50, "2024-05-31", "indeterminate"},
		{"fondaparinux", 7.5, 1, 50, "2024-05-31", "therapeutic"}, {"fondaparinux", 7.5, 1, 100, "2024-05-31", "therapeutic"}, {"fondaparinux", 7.5, 1, 100.1, "2024-05-31", "indeterminate"},
		{"fondaparinux", 10, 1, 100.1, "2024-05-31", "therapeutic"}, {"fondaparinux", 10, 1, 100, "2024-05-31", "indeterminate"},
		{"enoxaparin", 80, 2, 80, "2024-03-03", "therapeutic"},   // 90 days old
		{"enoxaparin", 80, 2, 80, "2024-03-02", "indeterminate"}, // 91 days old
		{"enoxaparin", 80, 2, 80, "2024-06-02", "indeterminate"}, // weighed tomorrow
		{"enoxaparin", 80, 2, 0, "2024-05-31", "indeterminate"},
	} {
		facts := rules.Facts{Courses: []rules.Course{outpatient(c.agent, c.mg, c.perDay, start)}, Labs: []rules.Lab{measured("weight", c.kilos, on(t, c.weighed))}}
		if got := judge(placedFilter(start), facts, asOf).Situation.Anticoagulation.Level; got != c.want {
			t.Errorf("%s %v, %v a day, %v kg on %s: %s, want %s", c.agent, c.mg, c.perDay, c.kilos, c.weighed, got, c.want)
		}
	}
}

// TestINR: a vitamin K antagonist is therapeutic by its latest INR from 2.0 to 3.0, at most 42 days old.
func TestINR(t *testing.T) {
	t.Parallel()
	start, asOf := on(t, "2024-03-01"), day(t, "2024-06-01")
	for _, c := range []struct {
		inr      float64
		measured string
		want     rules.Level
	}{
		{2, "2024-05-31", "therapeutic"}, {3, "2024-05-31", "therapeutic"}, {1.9, "2024-05-31", "indeterminate"}, {3.1, "2024-05-31", "indeterminate"},
		{2.5, "2024-04-20", "therapeutic"}, {2.5, "2024-04-19", "indeterminate"}, {2.5, "2024-06-01", "therapeutic"}, {2.5, "2024-06-02", "indeterminate"},
	} {
		for _, agent := range []string{"warfarin", "acenocoumarol", "phenprocoumon"} {
			facts := rules.Facts{Courses: []rules.Course{outpatient(agent, 5, 1, start)}, Labs: []rules.Lab{measured("inr", c.inr, on(t, c.measured))}}
			if got := judge(placedFilter(start), facts, asOf).Situation.Anticoagulation.Level; got != c.want {
				t.Errorf("%s, INR %v on %s: %s, want %s", agent, c.inr, c.measured, got, c.want)
			}
		}
	}
}

// TestReducedDose: a low dose is a reduced one from six calendar months after the latest VTE on, before that preventive.
func TestReducedDose(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		onset, asOf string
		want        rules.Level
	}{
		{"2024-03-15", "2024-09-14", "prophylactic"}, {"2024-03-15", "2024-09-15", "reduced"}, {"2023-08-31", "2024-02-28", "prophylactic"}, {"2023-08-31", "2024-02-29", "reduced"},
	} {
		vte := rules.Diagnosis{Class: rules.DVT, Acute: true, Onset: on(t, c.onset), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/vte"}}
		for _, low := range []rules.Course{outpatient("apixaban", 2.5, 2, on(t, "2024-01-01")), outpatient("rivaroxaban", 10, 1, on(t, "2024-01-01"))} {
			facts := rules.Facts{Diagnoses: []rules.Diagnosis{vte}, Courses: []rules.Course{low}}
			if got := judge(placedFilter(on(t, c.onset)), facts, day(t, c.asOf)).Situation.Anticoagulation.Level; got != c.want {
				t.Errorf("%s on %s after a thrombosis on %s: %s, want %s", low.Agent, c.asOf, c.onset, got, c.want)
			}
		}
	}
}

// TestProductsWithoutAFrequency: a product with one labelled use is read as that use; one with several stays open.
func TestProductsWithoutAFrequency(t *testing.T) {
	t.Parallel()
	start, asOf := on(t, "2024-03-01"), day(t, "2024-06-01")
	for _, c := range []struct {
		agent       string
		mg, product float64
		want        rules.Level
	}{
		{"apixaban", 0, 5, "therapeutic"}, {"apixaban", 5, 5, "therapeutic"}, {"apixaban", 2.5, 5, "prophylactic"}, {"enoxaparin", 0, 40, "prophylactic"},
		{"enoxaparin", 0, 80, "indeterminate"}, {"enoxaparin", 40, 80, "prophylactic"}, {"heparin", 0, 5000, "indeterminate"}, {"apixaban", 5, 0, "indeterminate"}, {"apixaban", 0, 0, "indeterminate"},
	} {
		course := outpatient(c.agent, c.mg, 0, start)
		course.Product = c.product
		if got := judge(placedFilter(start), rules.Facts{Courses: []rules.Course{course}}, asOf).Situation.Anticoagulation.Level; got != c.want {
			t.Errorf("%s %v of a product of %v: %s, want %s", c.agent, c.mg, c.product, got, c.want)
		}
	}
}
