package renal

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestCKDEPI2021: published answers of other implementations, rounded as published. A further published example (woman of 55,
// 0.9 mg/dL, "about 76") rounds between its steps; the equation gives 75.4988, so it is no oracle to the unit.
func TestCKDEPI2021(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		female     bool
		age        int
		creatinine float64
		want       float64
		within     float64
		source     string
	}{
		{false, 55, 1.2, 71, 0.5, "National Kidney Foundation's calculator, as quoted in a public file"},
		{false, 50, 1.1, 82, 0.5, "unit test of a public implementation"},
		{false, 81, 1.7, 39.99991, 0.0001, "unit test of a public implementation"},
		{true, 80, 0.8, 74, 0.5, "unit test of a public implementation"},
		{false, 80, 0.8, 89, 0.5, "unit test of a public implementation"},
		{true, 55, 0.9, 75.4988, 0.0001, "worked out by hand from the equation"},
		{true, 60, 0.7, 98.9483, 0.0001, "worked out by hand, at the knee for women"},
		{false, 60, 0.9, 97.7750, 0.0001, "worked out by hand, at the knee for men"},
		{true, 72, 2.4, 20.9344, 0.0001, "worked out by hand"},
		{false, 68, 1.9, 37.9495, 0.0001, "worked out by hand"},
		{false, 60, 1.4, 57.5394, 0.0001, "worked out by hand"},
		{true, 75, 1.5, 36.1161, 0.0001, "worked out by hand"},
	} {
		if got := CKDEPI2021(c.age, c.creatinine, c.female); math.Abs(got-c.want) > c.within {
			t.Errorf("female %v, %d years, %v mg/dL: %v, want %v (%s)", c.female, c.age, c.creatinine, got, c.want, c.source)
		}
	}
}

// TestCockcroftGault: two answers of public implementations (111.111 and 67.00495, the latter with the weight that it adjusted itself),
// the others worked out by hand from the published formula; 0.85 for women.
func TestCockcroftGault(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		female         bool
		age            int
		kg, creatinine float64
		want           float64
	}{
		{false, 60, 72, 1.0, 80}, {true, 60, 72, 1.0, 68}, {false, 80, 60, 2.0, 25}, {true, 80, 60, 2.0, 21.25}, {false, 40, 100, 1.25, 111.1111},
		{false, 40, 80, 1.0, 111.1111}, {false, 53, 77.0788, 1.39, 67.00495}, {true, 72, 60, 2.4, 20.0694}, {false, 68, 90, 1.9, 47.3684},
	} {
		if got := CockcroftGault(c.age, c.kg, c.creatinine, c.female); math.Abs(got-c.want) > 0.0001 {
			t.Errorf("%+v: got %v", c, got)
		}
	}
}

// TestNoEstimateWithoutInputs: what cannot be is no number.
func TestNoEstimateWithoutInputs(t *testing.T) {
	t.Parallel()
	for _, got := range []float64{CockcroftGault(0, 70, 1, false), CockcroftGault(140, 70, 1, false), CockcroftGault(60, 0, 1, false), CockcroftGault(60, 70, 0, true),
		CKDEPI2021(17, 1, false), CKDEPI2021(60, 0, true)} {
		if !math.IsNaN(got) {
			t.Errorf("got %v", got)
		}
	}
}

// TestMoreCreatinineIsLessFunction: and so are more years; neither jumps at the knee of the equation.
func TestMoreCreatinineIsLessFunction(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		age, scr, female := rapid.IntRange(18, 110).Draw(t, "age"), rapid.Float64Range(0.2, 12).Draw(t, "creatinine"), rapid.Bool().Draw(t, "female")
		kg := rapid.Float64Range(30, 200).Draw(t, "kg")
		if CKDEPI2021(age, scr*1.01, female) >= CKDEPI2021(age, scr, female) || CKDEPI2021(age+1, scr, female) >= CKDEPI2021(age, scr, female) ||
			CockcroftGault(age, kg, scr*1.01, female) >= CockcroftGault(age, kg, scr, female) || CKDEPI2021(age, scr*1.0001, female) < 0.999*CKDEPI2021(age, scr, female) {
			t.Fatal("not falling, or with a jump")
		}
	})
}
