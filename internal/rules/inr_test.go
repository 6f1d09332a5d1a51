package rules_test

import (
	"fmt"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestWarfarinCover: cover begins with the first INR in range under the course from which on none was below the range and none came
// too late; asOf 2024-06-01, inr_days 42. "" where the level stays open.
func TestWarfarinCover(t *testing.T) {
	t.Parallel()
	type inr struct {
		day   string
		value float64
	}
	for name, c := range map[string]struct {
		start  string
		before string // an earlier course of the same agent that ended on this day; "" where none
		inrs   []inr
		want   string
	}{
		"first in range of four":             {"2024-05-01", "", []inr{{"2024-05-04", 1.1}, {"2024-05-11", 1.2}, {"2024-05-18", 1.4}, {"2024-05-31", 2.0}}, "2024-05-31"},
		"1.9 is below":                       {"2024-05-01", "", []inr{{"2024-05-11", 1.9}, {"2024-05-31", 2.5}}, "2024-05-31"},
		"2.0 is in range":                    {"2024-05-01", "", []inr{{"2024-05-11", 2.0}, {"2024-05-31", 2.5}}, "2024-05-11"},
		"3.0 is in range":                    {"2024-05-01", "", []inr{{"2024-05-11", 3.0}, {"2024-05-31", 2.5}}, "2024-05-11"},
		"3.1 begins nothing":                 {"2024-05-01", "", []inr{{"2024-05-11", 3.1}, {"2024-05-31", 2.5}}, "2024-05-31"},
		"3.1 breaks nothing":                 {"2024-05-01", "", []inr{{"2024-05-11", 2.5}, {"2024-05-20", 3.1}, {"2024-05-31", 2.5}}, "2024-05-11"},
		"1.9 breaks":                         {"2024-05-01", "", []inr{{"2024-05-11", 2.5}, {"2024-05-20", 1.9}, {"2024-05-31", 2.5}}, "2024-05-31"},
		"3.1 as the latest leaves it open":   {"2024-05-01", "", []inr{{"2024-05-11", 2.5}, {"2024-05-31", 3.1}}, ""},
		"1.9 as the latest leaves it open":   {"2024-05-01", "", []inr{{"2024-05-11", 2.5}, {"2024-05-31", 1.9}}, ""},
		"the day before the course":          {"2024-05-11", "", []inr{{"2024-05-10", 2.4}}, ""},
		"the first day of the course":        {"2024-05-11", "", []inr{{"2024-05-11", 2.4}}, "2024-05-11"},
		"the second day of the course":       {"2024-05-11", "", []inr{{"2024-05-12", 2.4}}, "2024-05-12"},
		"41 days between":                    {"2024-01-01", "", []inr{{"2024-04-10", 2.4}, {"2024-05-21", 2.4}}, "2024-04-10"},
		"42 days between":                    {"2024-01-01", "", []inr{{"2024-04-09", 2.4}, {"2024-05-21", 2.4}}, "2024-04-09"},
		"43 days between":                    {"2024-01-01", "", []inr{{"2024-04-08", 2.4}, {"2024-05-21", 2.4}}, "2024-05-21"},
		"41 days old":                        {"2024-01-01", "", []inr{{"2024-04-21", 2.4}}, "2024-04-21"},
		"42 days old":                        {"2024-01-01", "", []inr{{"2024-04-20", 2.4}}, "2024-04-20"},
		"43 days old":                        {"2024-01-01", "", []inr{{"2024-04-19", 2.4}}, ""},
		"a new order of a course that runs":  {"2024-05-20", "2024-05-19", []inr{{"2024-05-01", 2.4}, {"2024-05-25", 2.2}}, "2024-05-01"},
		"a new order after three days":       {"2024-05-20", "2024-05-16", []inr{{"2024-05-01", 2.4}, {"2024-05-25", 2.2}}, "2024-05-01"},
		"a new order after four days":        {"2024-05-20", "2024-05-15", []inr{{"2024-05-01", 2.4}, {"2024-05-25", 2.2}}, "2024-05-25"},
		"no value in the course, but before": {"2024-05-20", "2024-05-19", []inr{{"2024-05-01", 2.4}}, "2024-05-01"},
	} {
		course := outpatient("warfarin", 5, 1, on(t, c.start))
		facts := rules.Facts{Courses: []rules.Course{course}}
		if c.before != "" {
			old := outpatient("warfarin", 5, 1, on(t, "2024-02-01"))
			old.End, old.Evidence = on(t, c.before), []filter.Ref{"MedicationRequest/old"}
			facts.Courses = append(facts.Courses, old)
		}
		for i, v := range c.inrs {
			lab := measured("inr", v.value, on(t, v.day))
			lab.Evidence = []filter.Ref{filter.Ref(fmt.Sprintf("Observation/inr-%d", i))}
			facts.Labs = append(facts.Labs, lab)
		}
		a := judge(placedFilter(on(t, "2024-01-01")), facts, day(t, "2024-06-01")).Situation.Anticoagulation
		got := ""
		if a.Level == rules.Therapeutic {
			got = a.Since.String()
		}
		if got != c.want || c.want == "" && a.Level != rules.Indeterminate {
			t.Errorf("%s: %s since %q, want %q", name, a.Level, got, c.want)
		}
	}
}
