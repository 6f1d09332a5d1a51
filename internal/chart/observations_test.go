package chart

import (
	"fmt"
	"testing"
)

// TestValuesThatCannotBe: a value outside of what can be measured in a person is named and not used; a comparator makes a limit of it.
func TestValuesThatCannotBe(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	const creatinine, weight, inr, platelets, haemoglobin = "2160-0 mg/dL", "29463-7 kg", "6301-6 {INR}", "777-3 10*3/uL", "718-7 g/dL"
	for name, c := range map[string]struct {
		code       string
		value      string
		comparator string
		want       string // "" where it is not used
		unread     bool
	}{
		"creatinine":             {creatinine, "1.1", "", "creatinine 1.1", false},
		"creatinine below 0":     {creatinine, "-1", "", "", true},
		"creatinine 0":           {creatinine, "0", "", "", true},
		"creatinine 30":          {creatinine, "30", "", "creatinine 30", false},
		"creatinine 31":          {creatinine, "31", "", "", true},
		"creatinine as a limit":  {creatinine, "0.5", "<", "creatinine less than 0.5", true},
		"weight 7000":            {weight, "7000", "", "", true},
		"weight 500":             {weight, "500", "", "weight 500", false},
		"weight 0.9":             {weight, "0.9", "", "", true},
		"weight as a limit":      {weight, "150", ">", "weight more than 150", true},
		"INR":                    {inr, "2.5", "", "inr 2.5", false},
		"INR > 3.0":              {inr, "3.0", ">", "inr more than 3", false},
		"INR below 0":            {inr, "-2", "", "", true},
		"INR 31":                 {inr, "31", "", "", true},
		"platelets < 50":         {platelets, "50", "<", "platelets less than 50", false},
		"platelets 0":            {platelets, "0", "", "platelets 0", false},
		"platelets below 0":      {platelets, "-5", "", "", true},
		"haemoglobin >= 7":       {haemoglobin, "7", ">=", "haemoglobin at least 7", false},
		"haemoglobin, R5 limit":  {haemoglobin, "7", "ad", "", true},
		"haemoglobin in g/L, 31": {"718-7 g/L", "310", "", "", true},
	} {
		var code, unit string
		if _, err := fmt.Sscan(c.code, &code, &unit); err != nil {
			t.Fatal(err)
		}
		comparator := ""
		if c.comparator != "" {
			comparator = fmt.Sprintf(`"comparator":%q,`, c.comparator)
		}
		got := readSigns(t, sets, fmt.Sprintf(`{"resourceType":"Observation","id":"o","status":"final","subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://loinc.org","code":%q}]},"effectiveDateTime":"2026-02-10","valueQuantity":{%s"value":%s,"code":%q}}`,
			code, comparator, c.value, unit))
		said := ""
		for _, l := range got.Facts.Labs {
			said += l.What + " " + l.Told()
		}
		if said != c.want || (len(got.Unread) > 0) != c.unread {
			t.Errorf("%s: %q, unread %v", name, said, got.Unread)
		}
	}
}
