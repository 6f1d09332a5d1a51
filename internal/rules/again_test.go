package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestOldBleeds: a bleed counts for 90 days; after that only where a later encounter was for it or haemoglobin fell by
// 2 g/dL within 30 days (the fall that makes a bleed major by the ISTH, from memory), and that is itself not older.
func TestOldBleeds(t *testing.T) {
	t.Parallel()
	bleed := rules.Diagnosis{Class: rules.Bleed, Onset: on(t, "2024-01-10"), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/bleed"}}
	clot := rules.Diagnosis{Class: rules.DVT, Acute: true, Onset: on(t, "2024-04-20"), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/clot"}}
	hb := func(id string, value float64, day string) rules.Lab {
		return rules.Lab{What: "haemoglobin", Value: value, Day: on(t, day), Evidence: []filter.Ref{"Observation/" + id}}
	}
	visit := func(day string, of ...filter.Ref) rules.Visit {
		return rules.Visit{When: on(t, day), For: of, Evidence: []filter.Ref{"Encounter/e"}}
	}
	for _, c := range []struct {
		name   string
		asOf   string
		labs   []rules.Lab
		visits []rules.Visit
		want   rules.Status
	}{
		{"young", "2024-04-09", nil, nil, rules.StatusUnknown}, // no clot yet
		{"old", "2024-05-01", nil, nil, rules.StatusUnknown},
		{"a fall of 2", "2024-05-01", []rules.Lab{hb("a", 11, "2024-04-01"), hb("b", 9, "2024-04-30")}, nil, rules.StillIndicated},
		{"a fall of 1.9", "2024-05-01", []rules.Lab{hb("a", 11, "2024-04-01"), hb("b", 9.1, "2024-04-30")}, nil, rules.StatusUnknown},
		{"a fall over 31 days", "2024-05-02", []rules.Lab{hb("a", 11, "2024-04-01"), hb("b", 9, "2024-05-02")}, nil, rules.StatusUnknown},
		{"a rise", "2024-05-01", []rules.Lab{hb("a", 9, "2024-04-01"), hb("b", 11, "2024-04-30")}, nil, rules.StatusUnknown},
		{"an encounter for it", "2024-05-01", nil, []rules.Visit{visit("2024-04-28", "Condition/bleed")}, rules.StillIndicated},
		{"an encounter for another reason", "2024-05-01", nil, []rules.Visit{visit("2024-04-28", "Condition/clot")}, rules.StatusUnknown},
		{"its own encounter", "2024-05-01", nil, []rules.Visit{visit("2024-01-10", "Condition/bleed")}, rules.StatusUnknown},
		{"an encounter to come", "2024-05-01", nil, []rules.Visit{visit("2024-05-02", "Condition/bleed")}, rules.StatusUnknown},
		{"an encounter 90 days ago", "2024-07-19", nil, []rules.Visit{visit("2024-04-20", "Condition/bleed")}, rules.StillIndicated},
		{"an encounter 91 days ago", "2024-07-19", nil, []rules.Visit{visit("2024-04-19", "Condition/bleed")}, rules.StatusUnknown},
	} {
		facts := rules.Facts{Diagnoses: []rules.Diagnosis{bleed, clot}, Labs: c.labs, Visits: c.visits}
		if got := judge(placedFilter(on(t, "2024-04-22")), facts, day(t, c.asOf)).Situation.Indication.Status; got != c.want {
			t.Errorf("%s on %s: %s, want %s", c.name, c.asOf, got, c.want)
		}
	}
}

// TestRenewals: an outpatient order without renewal for more than 365 days settles nothing; a dispense renews it and is
// then what the level stands on, too.
func TestRenewals(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		refilled, asOf string
		want           rules.Level
		listed         int
	}{
		{"", "2024-12-31", "therapeutic", 1}, {"", "2025-01-01", "unknown", 1}, {"2024-06-01", "2025-01-01", "therapeutic", 2}, {"2024-06-01", "2025-06-01", "therapeutic", 2}, {"2024-06-01", "2025-06-02", "unknown", 1},
	} {
		course := outpatient("apixaban", 5, 2, on(t, "2024-01-01"))
		if c.refilled != "" {
			course.Refilled, course.RefilledBy = on(t, c.refilled), []filter.Ref{"MedicationDispense/d"}
		}
		got := judge(placedFilter(on(t, "2024-01-01")), rules.Facts{Courses: []rules.Course{course}}, day(t, c.asOf)).Situation.Anticoagulation
		if got.Level != c.want || len(got.Evidence) != c.listed {
			t.Errorf("refilled %q, on %s: %s by %v, want %s", c.refilled, c.asOf, got.Level, got.Evidence, c.want)
		}
	}
}
