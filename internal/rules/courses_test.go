package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestOverBeforeItsEnd: what is over covers nothing for certain until the end that was planned for it, and up to it from then on.
func TestOverBeforeItsEnd(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		asOf string
		over bool
		want rules.Level
		done bool
	}{
		{"2024-05-31", false, rules.Therapeutic, false}, {"2024-06-01", false, rules.Therapeutic, false}, {"2024-06-02", false, rules.LevelNone, true},
		{"2024-05-31", true, rules.LevelNone, false}, {"2024-06-01", true, rules.LevelNone, false}, {"2024-06-02", true, rules.LevelNone, true},
	} {
		course := outpatient("apixaban", 5, 2, on(t, "2024-02-01"))
		course.End, course.Over = on(t, "2024-06-01"), c.over
		a := judge(placedFilter(on(t, "2024-01-01")), rules.Facts{Courses: []rules.Course{course}}, day(t, c.asOf)).Situation.Anticoagulation
		if a.Level != c.want || (a.Finished != nil) != c.done {
			t.Errorf("%s, over %v: %s, finished %v; want %s %v", c.asOf, c.over, a.Level, a.Finished, c.want, c.done)
		}
	}
}

// TestOldEntries: an entry is as old as the latest day that it gives, and without any the level is left open.
func TestOldEntries(t *testing.T) {
	t.Parallel()
	const asOf = "2025-06-01" // refill_days 365: 2024-06-01 is 365 days ago
	for name, c := range map[string]struct {
		start, authored string
		outpatient      bool
		want            rules.Level
	}{
		"begun 364 days ago":                            {"2024-06-02", "", true, rules.Therapeutic},
		"begun 365 days ago":                            {"2024-06-01", "", true, rules.Therapeutic},
		"begun 366 days ago":                            {"2024-05-31", "", true, rules.LevelUnknown},
		"begun and written long ago":                    {"2019-01-10", "2019-01-10", true, rules.LevelUnknown},
		"begun long ago and written of late":            {"2019-01-10", "2025-05-01", true, rules.Therapeutic},
		"written long ago to begin of late":             {"2025-05-01", "2019-01-10", true, rules.Therapeutic},
		"begun long ago in a stay":                      {"2019-01-10", "2019-01-10", false, rules.Therapeutic},
		"of no day":                                     {"", "", true, rules.Indeterminate},
		"of no first day, written of late":              {"", "2025-05-01", true, rules.Indeterminate},
		"of no first day, written more than a year ago": {"", "2024-05-31", true, rules.LevelUnknown},
	} {
		course := outpatient("apixaban", 5, 2, filter.Unknown())
		course.Outpatient, course.Authored = c.outpatient, filter.Unknown()
		if c.start != "" {
			course.Start = on(t, c.start)
		}
		if c.authored != "" {
			course.Authored = on(t, c.authored)
		}
		if got := judge(placedFilter(on(t, "2018-12-01")), rules.Facts{Courses: []rules.Course{course}}, day(t, asOf)).Situation.Anticoagulation.Level; got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// TestTreatmentSinceNoKnownDay: an acute thrombosis beside it is asked about, and an active bleed beside it still is a conflict.
func TestTreatmentSinceNoKnownDay(t *testing.T) {
	t.Parallel()
	diagnosis := func(class rules.Class, onset string) rules.Diagnosis {
		return rules.Diagnosis{Class: class, Acute: true, Onset: on(t, onset), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/" + string(class)}}
	}
	facts := rules.Facts{Diagnoses: []rules.Diagnosis{diagnosis(rules.DVT, "2024-05-01")}, Courses: []rules.Course{outpatient("apixaban", 5, 2, filter.Unknown())}}
	j := judge(placedFilter(on(t, "2024-05-02")), facts, day(t, "2024-07-15"))
	if s := j.Situation; j.Verdict != rules.Review || s.Indication.Status != rules.StatusUnknown || s.Anticoagulation.Level != rules.Indeterminate {
		t.Errorf("%s %s %s", j.Verdict, s.Indication.Status, s.Anticoagulation.Level)
	}
	facts.Diagnoses = append(facts.Diagnoses, diagnosis(rules.Bleed, "2024-07-10"))
	if j := judge(placedFilter(on(t, "2024-05-02")), facts, day(t, "2024-07-15")); j.Verdict != rules.Review || len(j.Situation.Conflict) == 0 {
		t.Errorf("beside a bleed: %s %v", j.Verdict, j.Situation.Conflict)
	}
}

// TestOfNoKnownStatus: an order of which nobody can say whether it holds is no treatment, also beside an INR in range, adds nothing to one
// that is, and when it has ended it does not say that nothing is taken.
func TestOfNoKnownStatus(t *testing.T) {
	t.Parallel()
	unsure := func(agent string, start filter.Span, end filter.Span) rules.Course {
		c := outpatient(agent, 5, 2, start)
		c.Unsure, c.End, c.Evidence = true, end, []filter.Ref{"MedicationRequest/unsure"}
		return c
	}
	ended := outpatient("apixaban", 5, 2, on(t, "2024-05-01"))
	ended.End = on(t, "2024-05-20")
	later := outpatient("warfarin", 5, 1, on(t, "2024-06-20"))
	early := measured("inr", 2.4, on(t, "2024-06-10"))
	late := measured("inr", 2.5, on(t, "2024-06-25"))
	for name, c := range map[string]struct {
		courses []rules.Course
		labs    []rules.Lab
		denied  string
		want    rules.Level
		since   filter.Span
	}{
		"running":                           {[]rules.Course{unsure("apixaban", on(t, "2024-05-01"), filter.Unknown())}, nil, "", rules.Indeterminate, filter.Unknown()},
		"running, of an old kind":           {[]rules.Course{unsure("warfarin", on(t, "2024-05-01"), filter.Unknown())}, []rules.Lab{late}, "", rules.Indeterminate, filter.Unknown()},
		"ended":                             {[]rules.Course{unsure("apixaban", on(t, "2024-05-01"), on(t, "2024-05-20"))}, nil, "", rules.LevelUnknown, filter.Unknown()},
		"ended beside one that ended":       {[]rules.Course{ended, unsure("apixaban", on(t, "2024-05-01"), on(t, "2024-05-20"))}, nil, "", rules.LevelNone, filter.Unknown()},
		"running beside one that ended":     {[]rules.Course{ended, unsure("apixaban", on(t, "2024-05-21"), filter.Unknown())}, nil, "", rules.Indeterminate, filter.Unknown()},
		"said later not to be taken":        {[]rules.Course{unsure("apixaban", on(t, "2024-05-01"), filter.Unknown())}, nil, "2024-06-01", rules.LevelNone, filter.Unknown()},
		"said not to be taken before":       {[]rules.Course{unsure("apixaban", on(t, "2024-05-01"), filter.Unknown())}, nil, "2024-04-01", rules.Indeterminate, filter.Unknown()},
		"beside a treatment":                {[]rules.Course{outpatient("apixaban", 5, 2, on(t, "2024-06-01")), unsure("apixaban", on(t, "2024-05-01"), filter.Unknown())}, nil, "", rules.Therapeutic, on(t, "2024-06-01")},
		"before warfarin, with an INR then": {[]rules.Course{unsure("warfarin", on(t, "2024-05-01"), filter.Unknown()), later}, []rules.Lab{early, late}, "", rules.Therapeutic, on(t, "2024-06-25")},
	} {
		facts := rules.Facts{Courses: c.courses, Labs: c.labs}
		if c.denied != "" {
			facts.NoAnticoagulant = []rules.Dated{{When: on(t, c.denied), Agent: "apixaban", Evidence: []filter.Ref{"MedicationStatement/no"}}}
		}
		a := judge(placedFilter(on(t, "2024-04-20")), facts, day(t, "2024-07-01")).Situation.Anticoagulation
		if a.Level != c.want || a.Since != c.since {
			t.Errorf("%s: %s since %s, want %s since %s", name, a.Level, a.Since, c.want, c.since)
		}
	}
}
