package assess_test

import (
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/tools/txtar"

	"dwellwatch/internal/assess"
)

// never is one thing that must not be said, with the stories that try to bring it about.
type never struct {
	what    string
	stories []string
	said    func(assess.Result) bool
}

// anyFilter reports whether one of the filters is such.
func anyFilter(is func(assess.Filter) bool) func(assess.Result) bool {
	return func(res assess.Result) bool { return slices.ContainsFunc(res.Assessment.Filters, is) }
}

func level(levels ...string) func(assess.Result) bool {
	return anyFilter(func(f assess.Filter) bool { return slices.Contains(levels, f.Anticoagulation.Level) })
}

func standing(standings ...string) func(assess.Result) bool {
	return anyFilter(func(f assess.Filter) bool { return slices.Contains(standings, f.Standing) })
}

func verdict(verdicts ...string) func(assess.Result) bool {
	return anyFilter(func(f assess.Filter) bool { return slices.Contains(verdicts, f.Verdict) })
}

func nevers() []never {
	return []never{
		{"a dwell below 0 days", []string{"placed_this_month_on_no_known_day"}, anyFilter(func(f assess.Filter) bool {
			return f.DwellDays != nil && f.DwellDays.Min != nil && *f.DwellDays.Min < 0
		})},
		{"a placement from an entry whose status is missing or unknown", []string{"placement_without_status", "placement_of_unknown_status", "placement_of_unknown_status_past_the_window", "placement_of_no_status_in_a_treated_patient"}, standing("in-place")},
		{"a removal from an entry whose status is missing", []string{"removal_without_status", "removal_called_successful_without_a_status"}, standing("removed")},
		{"a removal from an inactive device", []string{"device_entry_inactive", "inactive_device_with_its_placement", "inactive_device_in_a_treated_patient"}, standing("removed")},
		{"a removal from a device use that ended", []string{"device_use_ended", "device_use_completed_beside_a_placement"}, standing("removed")},
		{"the end of a contraindication by silence", []string{"old_bleed_and_nothing_further", "lasting_bleeding_disorder"}, anyFilter(func(f assess.Filter) bool { return f.Indication == "resolved" || f.Verdict == "refer" })},
		{"a treatment dose from what is given as needed, once or into a line", []string{"anticoagulant_as_needed", "anticoagulant_given_once", "anticoagulant_before_journeys_only", "heparin_lock_of_a_line", "heparin_flush_given", "heparin_lock_flush_stated"}, level("therapeutic", "reduced", "prophylactic")},
		{"a treatment from what is drafted, held, planned or not to be given", []string{"anticoagulant_drafted_only", "anticoagulant_on_hold", "anticoagulant_planned_only", "anticoagulant_not_to_be_given", "apixaban_stopped_before_its_planned_end", "apixaban_handed_out_and_its_order_held", "apixaban_coded_and_held_in_words"}, level("therapeutic")},
		{"a verdict from a check digit, from the years of sale, from carriers", []string{"label_with_a_wrong_check_digit", "model_first_sold_after_the_placement", "carriers_of_one_filter_disagree"}, verdict("clarify")},
		{"a referral for removal while a thromboembolism is untreated", []string{"acute_thrombosis_on_a_preventive_dose", "acute_thrombosis_that_cannot_be_treated", "contraindication_over_and_thrombosis_acute"}, anyFilter(func(f assess.Filter) bool { return f.Verdict == "refer" || f.Overdue })},
		{"overdue where the filter is meant to stay", []string{"retrievable_model_meant_to_stay"}, anyFilter(func(f assess.Filter) bool { return f.Overdue })},
	}
}

// TestNevers: for every row of the rules that says never, stories try, and the answer does not say it.
func TestNevers(t *testing.T) {
	t.Parallel()
	b := basis(t)
	for _, n := range nevers() {
		for _, name := range n.stories {
			archive, err := txtar.ParseFile(filepath.Join(storyFolder, name+".txtar"))
			if err != nil {
				t.Errorf("%s: %v", n.what, err)
				continue
			}
			res := assessStory(t, archive, b)
			if len(res.Assessment.Filters) == 0 || n.said(res) {
				t.Errorf("%s: %s (%d filters)", name, n.what, len(res.Assessment.Filters))
			}
		}
	}
}

// TestNoStoryIsTold: what no answer may say, looked for in every story: that there is no filter, that somebody takes what is only
// prescribed, the window as a reason where the event was an embolism, and a filter under watch without a day to look again.
func TestNoStoryIsTold(t *testing.T) {
	t.Parallel()
	b := basis(t)
	taking := regexp.MustCompile(`(?i)\b(takes|taking|is on (apixaban|rivaroxaban|warfarin|enoxaparin|dabigatran|edoxaban))\b`)
	noFilter := regexp.MustCompile(`(?i)\bno (vena cava )?filter\b`)
	watched := 0
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		name := strings.TrimSuffix(filepath.Base(path), ".txtar")
		a := assessStory(t, archive, b).Assessment
		if !noFilterAsAllowed(a.Note) {
			t.Errorf("%s: note %q", name, a.Note)
		}
		for _, f := range a.Filters {
			texts := []string{f.Headline}
			for _, x := range f.Findings {
				texts = append(texts, x.Text)
			}
			for _, m := range f.Missing {
				texts = append(texts, m.Text)
			}
			for _, text := range texts {
				// What imaging says may be told as what imaging says.
				if taking.MatchString(text) || noFilter.MatchString(strings.ReplaceAll(text, "sees no filter", "")) {
					t.Errorf("%s: %q", name, text)
				}
			}
			if f.DwellDays != nil && f.DwellDays.Min != nil && *f.DwellDays.Min < 0 {
				t.Errorf("%s: dwell from %d days", name, *f.DwellDays.Min)
			}
			if slices.Contains([]string{"wait", "keep", "review", "clarify"}, f.Verdict) {
				watched++
				if f.LookAgainOn == nil {
					t.Errorf("%s: %s without a day to look again", name, f.Verdict)
				}
			}
		}
	}
	if watched < 100 {
		t.Errorf("only %d filters under watch in the stories", watched)
	}
}

// noFilterAsAllowed: the note speaks of the data received, never of the patient.
func noFilterAsAllowed(note string) bool {
	lower := strings.ToLower(note)
	return !strings.Contains(lower, "no filter") || strings.Contains(lower, "no filter in the coded data received")
}
