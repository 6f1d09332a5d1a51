// Package renal estimates kidney function from a serum creatinine. It is pure: numbers in, numbers out. What it gives is an
// estimate for drug doses, in adults with a steady creatinine; it must never be shown without its inputs.
package renal

import "math"

// UmolPerMg is how many µmol/L of creatinine make 1 mg/dL.
const UmolPerMg = 88.42

// CockcroftGault gives the creatinine clearance in mL/min, not normalised to body surface, from the age in whole years, the body
// weight in kg and the serum creatinine in mg/dL. Doses of anticoagulants are labelled by it. NaN where an input is not positive.
//
// Cockcroft and Gault, Nephron 1976;16:31-41 (formula seen in public transcriptions).
func CockcroftGault(age int, kg, creatinine float64, female bool) float64 {
	if age <= 0 || age >= 140 || kg <= 0 || creatinine <= 0 {
		return math.NaN()
	}
	ml := float64(140-age) * kg / (72 * creatinine)
	if female {
		ml *= 0.85
	}
	return ml
}

// CKDEPI2021 gives the estimated glomerular filtration rate in mL/min/1.73 m² from the age in whole years and the serum creatinine
// in mg/dL, for adults. NaN where the age is below 18 or the creatinine not positive.
//
// Inker et al., N Engl J Med 2021;385:1737-1749 (equation seen in public transcriptions).
func CKDEPI2021(age int, creatinine float64, female bool) float64 {
	if age < 18 || creatinine <= 0 {
		return math.NaN()
	}
	k, a, sex := 0.9, -0.302, 1.0
	if female {
		k, a, sex = 0.7, -0.241, 1.012
	}
	ratio := creatinine / k
	return 142 * math.Pow(min(ratio, 1), a) * math.Pow(max(ratio, 1), -1.2) * math.Pow(0.9938, float64(age)) * sex
}
