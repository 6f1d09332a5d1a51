package cqlbench

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/assess"
)

// What the engine cannot do, and so the library does not answer.
const (
	freeText = "it stands in free text, and the engine has no string matching"
	instant  = "it hangs on an instant (meta.lastUpdated, Appointment.start), which the engine does not read"
	often    = "it hangs on how many doses a day there are, a positiveInt, which the engine does not read"
	inside   = "the engine reads no contained resource"
	capitals = "the engine takes the value of a code without regard to capitals"
	zone     = "the engine takes the day of a clock time in the zone it is told in, and does not turn it into the facility's"
	telling  = "which of two removals took out which filter is found by going through all tellings, and CQL has no recursion"
)

// differs names the fields of patients in which the two differ, with the limit of the engine that each is due to. "filters" is their
// number: where it differs no field is compared.
var differs = map[string]struct {
	why    string
	fields []string
}{
	"ab-12":                            {freeText, []string{"verdict", "holds", "complex", "tests"}},
	"ab-14":                            {freeText, []string{"verdict", "emergency", "changesOn"}},
	"ab-19":                            {instant, []string{"changesOn"}},
	"apixaban_at_eight_in_the_morning": {often, []string{"level", "since", "indication", "verdict", "overdue", "reassessmentOverdue"}},
	"apixaban_for_four_doses":          {often, []string{"level", "holds"}},
	"apixaban_ordered_with_a_status_in_capitals":              {capitals, []string{"level", "since", "indication", "verdict"}},
	"booked_day_has_gone_by":                                  {instant, []string{"asked", "changesOn"}},
	"discontinued_modifier_in_an_extension_by_code":           {freeText, []string{"standing", "verdict", "reassessmentOverdue", "complex", "tests"}},
	"embolism_with_an_onset_after_it_was_written":             {instant, []string{"verdict"}},
	"enoxaparin_80_mg_twice_a_day_at_60_kg":                   {often, []string{"evidence", "level", "since", "indication", "verdict", "overdue", "reassessmentOverdue", "holds"}},
	"enoxaparin_above_the_band":                               {often, []string{"evidence", "level", "since", "indication", "verdict", "overdue", "reassessmentOverdue", "holds", "changesOn"}},
	"enoxaparin_once_a_day_and_no_creatinine":                 {often, []string{"evidence", "level", "since", "indication", "verdict", "overdue", "reassessmentOverdue", "holds", "changesOn"}},
	"enoxaparin_once_a_day_with_sound_kidneys":                {often, []string{"evidence", "level", "since", "indication", "verdict", "overdue", "reassessmentOverdue", "holds"}},
	"enoxaparin_40_mg_once_a_day_at_41_kg_in_kidney_failure":  {often, []string{"evidence"}},
	"enoxaparin_once_a_day_in_kidney_failure":                 {often, []string{"evidence"}},
	"placed_late_in_the_evening_elsewhere":                    {zone, []string{"changesOn"}},
	"placed_for_a_thrombosis_contained_in_the_placement":      {inside, []string{"verdict"}},
	"placement_dated_after_it_was_written":                    {instant, []string{"filters"}},
	"placement_retracted_two_hours_later_by_the_instant":      {instant, []string{"filters"}},
	"placement_taken_back":                                    {instant, []string{"filters"}},
	"removal_dated_after_it_was_written":                      {instant, []string{"verdict", "changesOn", "complex", "tests"}},
	"removal_next_month_without_a_day_of_entry":               {instant, []string{"verdict", "changesOn", "complex", "tests"}},
	"removal_written_nine_days_before_its_date":               {instant, []string{"verdict", "overdue", "changesOn", "holds", "evidence"}},
	"retraction_without_any_dates":                            {instant, []string{"filters"}},
	"retrieval_booked":                                        {instant, []string{"changesOn"}},
	"two_filters_and_two_unnamed_removals":                    {telling, []string{"standing", "verdict"}},
	"undated_successful_removal_written_before_the_placement": {instant, []string{"filters"}},
}

// TestTheTwoAgree holds the answers of the two against each other, filter by filter and field by field. They must agree in all that
// differs does not name, and differ in all that it does.
func TestTheTwoAgree(t *testing.T) {
	e, on := newEngine(t), basis(t)
	var d desk
	compared, agree, unread := 0, 0, 0
	named := map[string]bool{}
	for _, c := range slices.Concat(charts(t), stories(t)) {
		if !e.reads(c.theirs) {
			unread++
			continue
		}
		excused := func(field string) bool { return slices.Contains(differs[c.name].fields, field) }
		seen := map[string]bool{}
		theirs, ours := read(t, e.byCQL(t, c.theirs, c.asOf)), told(byAssessment(t, &d, on, c))
		byDay := func(a, b answer) int { return cmp.Compare(a.Placed, b.Placed) }
		slices.SortStableFunc(theirs, byDay)
		slices.SortStableFunc(ours, byDay)
		if len(theirs) != len(ours) {
			compared++
			seen["filters"] = true
			if !excused("filters") {
				t.Errorf("%s: the engine sees %d filters, the assessment %d", c.name, len(theirs), len(ours))
			}
			theirs, ours = nil, nil
		}
		for i := range ours {
			theirs[i].Alone, ours[i].Alone = len(ours) == 1, len(ours) == 1
			got, want := theirs[i].fields(), ours[i].fields()
			for field := range want {
				compared++
				if got[field] == want[field] {
					agree++
					continue
				}
				seen[field] = true
				if !excused(field) {
					t.Errorf("%s: %s is %q by the engine and %q by the assessment", c.name, field, got[field], want[field])
				}
			}
		}
		for _, field := range differs[c.name].fields {
			if !seen[field] {
				t.Errorf("%s: the two agree on %s; take it off the list", c.name, field)
			}
		}
		named[c.name] = true
	}
	for name := range differs {
		if !named[name] {
			t.Errorf("%s is on the list and no patient", name)
		}
	}
	fmt.Printf("%d patients, %d whole Bundles that the engine refuses: %d answers compared, %d agree, %d differ by a limit of the engine\n",
		len(named), unread, compared, agree, compared-agree)
}

// fields names what is compared.
func (a answer) fields() map[string]string {
	return map[string]string{
		"standing": a.Standing, "window": a.Window, "indication": a.Indication, "level": a.Level, "since": a.Since, "verdict": a.Verdict,
		"overdue": fmt.Sprint(a.Overdue), "reassessmentOverdue": fmt.Sprint(a.ReassessmentOverdue), "emergency": fmt.Sprint(a.Emergency),
		"changesOn": a.ChangesOn, "asked": a.Asked, "holds": fmt.Sprint(a.Holds),
		"complex": fmt.Sprint(a.Predictors.Complex), "tests": fmt.Sprint(a.Tests), "evidence": a.evidence(),
	}
}

// evidence lists what the level of an only filter rests on, the entries of the filter's own history among it.
func (a answer) evidence() string {
	if a.Standing == "removed" || a.Level == "unknown" || !a.Alone {
		return ""
	}
	var out []string
	for _, ref := range slices.Concat(a.History, a.LevelBy) {
		if ref = strings.TrimPrefix(ref, "http://r/"); ref != "" {
			out = append(out, ref)
		}
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), " ")
}

// told gives what is compared of an assessment.
func told(r assess.Result) []answer {
	var out []answer
	for _, f := range r.Assessment.Filters {
		a := answer{Standing: f.Standing, Window: f.Window, Indication: f.Indication, Level: f.Anticoagulation.Level, Since: day(f.Anticoagulation.Since),
			Verdict: f.Verdict, ChangesOn: day(f.ChangesOn), Overdue: f.Overdue, ReassessmentOverdue: f.ReassessmentOverdue, Emergency: f.Emergency, Asked: f.Asked}
		for _, x := range f.Findings {
			if x.Rule == "anticoagulation-level" {
				a.LevelBy = x.Evidence
			}
		}
		if f.Placed != nil {
			a.Placed = day(f.Placed.Earliest)
		}
		if f.Plan != nil {
			a.Predictors.Complex = f.Plan.Approach.Complex
			for _, x := range f.Plan.Laboratory.Tests {
				a.Tests = append(a.Tests, test{x.Name, x.Result})
			}
			for _, h := range f.Plan.Anticoagulation.Holds {
				a.Holds = append(a.Holds, hold{h.Agent, h.Hold})
			}
		}
		out = append(out, a)
	}
	return out
}

func day(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
