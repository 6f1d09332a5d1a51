package assess_test

import (
	"fmt"
	"testing"
)

func measured(id, loinc string, value float64, unit, day string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","subject":{"reference":"Patient/p"},"code":{"coding":[{"system":"http://loinc.org","code":%q}]},"effectiveDateTime":%q,"valueQuantity":{"value":%v,"unit":%q,"system":"http://unitsofmeasure.org","code":%q}}`, id, loinc, day, value, unit, unit)
}

// TestReportedFiltrationIsNotTaken: a laboratory's own estimate may be of an older equation (MDRD, CKD-EPI 2009), with or without race; it
// is never taken for one of 2021. Only a creatinine gives one, worked out here: a woman born on 1960-01-01 with 1.5 mg/dL on 2026-02-20
// is 66; CKD-EPI 2021 gives 142 x (1.5/0.7)^-1.2 x 0.9938^66 x 1.012 = 38.195, shown as 38.1.
func TestReportedFiltrationIsNotTaken(t *testing.T) {
	t.Parallel()
	entries := []string{
		filterProcedure("in", "37191", "2025-01-10", "completed"), filterProcedure("try", "37193", "2025-06-01", "stopped"), diagnosis("clot", "I82.423", "2025-01-06", ""),
		order("m1", "1364430", 5, 2, "2025-05-03", ""),
	}
	for _, loinc := range []string{"33914-3", "48642-3", "48643-1", "62238-1", "88293-6", "88294-4", "98979-8"} {
		entries = append(entries, measured("gfr-"+loinc, loinc, 25, "mL/min/{1.73_m2}", "2026-02-20"))
	}
	got := assessed(t, "2026-03-01", entries...)[0].Plan.Laboratory.Contrast
	if got == nil || got.Risk != "not known" || got.Filtration != nil {
		t.Errorf("from reported estimates alone: %+v", got)
	}
	got = assessed(t, "2026-03-01", append(entries, measured("crea", "2160-0", 1.5, "mg/dL", "2026-02-20"))...)[0].Plan.Laboratory.Contrast
	if got == nil || got.Risk != "single patients" || got.Filtration == nil || *got.Filtration != 38.1 {
		t.Errorf("from a creatinine: %+v", got)
	}
}
