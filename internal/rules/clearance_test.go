package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// kidneys gives the facts of a man of 68 years, in whom the estimated clearance is the weight divided by the creatinine.
func kidneys(t *testing.T, course rules.Course, kilos, creatinine float64, measuredOn string) rules.Facts {
	t.Helper()
	course.Evidence = []filter.Ref{"MedicationRequest/course"}
	return rules.Facts{
		Body:    rules.Body{Born: on(t, "1956-01-01"), Sex: "male", Evidence: []filter.Ref{"Patient/p"}},
		Courses: []rules.Course{course},
		Labs:    []rules.Lab{measured("weight", kilos, on(t, "2024-05-31")), measured("creatinine", creatinine, on(t, measuredOn))},
	}
}

// TestDosesByClearance: enoxaparin once a day below 30 mL/min (a preventive dose too, in the slight), edoxaban 30 mg from 15 to 50 mL/min or up to 60 kg; one below, on and
// one above each edge (US labels, from memory).
func TestDosesByClearance(t *testing.T) {
	t.Parallel()
	once := outpatient("enoxaparin", 0, 1, on(t, "2024-03-01"))
	once.PerKg = 1
	half := outpatient("edoxaban", 30, 1, on(t, "2024-03-01"))
	for _, c := range []struct {
		course            rules.Course
		kilos, creatinine float64
		want              rules.Level
	}{
		{once, 87, 3, rules.Therapeutic}, {once, 90, 3, rules.Indeterminate}, {once, 93, 3, rules.Indeterminate}, {once, 92, 3, rules.Indeterminate},
		{outpatient("enoxaparin", 87, 1, on(t, "2024-03-01")), 87, 3, rules.Therapeutic}, {outpatient("enoxaparin", 90, 1, on(t, "2024-03-01")), 90, 3, rules.Indeterminate},
		{outpatient("enoxaparin", 40, 1, on(t, "2024-03-01")), 42, 1.5, rules.Indeterminate}, {outpatient("enoxaparin", 40, 1, on(t, "2024-03-01")), 42, 1.4, rules.Prophylactic},
		{outpatient("enoxaparin", 40, 1, on(t, "2024-03-01")), 70, 3, rules.Prophylactic},
		{half, 70, 14, rules.Indeterminate}, {half, 84, 6, rules.Indeterminate}, {half, 90, 6, rules.Therapeutic}, {half, 96, 6, rules.Therapeutic}, {half, 93, 6, rules.Therapeutic},
		{half, 98, 2, rules.Therapeutic}, {half, 100, 2, rules.Therapeutic}, {half, 102, 2, rules.Indeterminate}, {half, 110, 2, rules.Indeterminate},
		{half, 59, 1, rules.Therapeutic}, {half, 60, 1, rules.Therapeutic}, {half, 60.1, 1, rules.Indeterminate}, {half, 61, 1, rules.Indeterminate},
	} {
		if got := judge(placedFilter(on(t, "2024-03-01")), kidneys(t, c.course, c.kilos, c.creatinine, "2024-05-31"), day(t, "2024-06-01")).Situation.Anticoagulation.Level; got != c.want {
			t.Errorf("%s %v, clearance %v, %v kg: %s, want %s", c.course.Agent, c.course.MgPerDose, c.kilos/c.creatinine, c.kilos, got, c.want)
		}
	}
}

// TestAgeOfCreatinine: creatinine_days is 90; one day below, on and above.
func TestAgeOfCreatinine(t *testing.T) {
	t.Parallel()
	half := outpatient("edoxaban", 30, 1, on(t, "2024-01-01"))
	for measuredOn, want := range map[string]rules.Level{"2024-03-04": rules.Therapeutic, "2024-03-03": rules.Therapeutic, "2024-03-02": rules.Indeterminate} {
		if got := judge(placedFilter(on(t, "2024-01-01")), kidneys(t, half, 90, 3, measuredOn), day(t, "2024-06-01")).Situation.Anticoagulation.Level; got != want {
			t.Errorf("creatinine of %s: %s, want %s", measuredOn, got, want)
		}
	}
}
