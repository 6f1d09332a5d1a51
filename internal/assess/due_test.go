package assess_test

import (
	"path/filepath"
	"testing"

	"golang.org/x/tools/txtar"
)

// TestDueDays: an emergency is due on the next day, what is urgent after 3, what is overdue after 14 and the rest after 28
// days; what may hurt the patient now and is not the filter is told as soon as what is urgent.
func TestDueDays(t *testing.T) {
	t.Parallel()
	for story, want := range map[string]struct {
		priority string
		days     int
	}{
		"filter_in_the_right_atrium":                    {"stat", 1},
		"filter_displaced":                              {"urgent", 3},
		"booked_day_has_gone_by":                        {"asap", 14},
		"acute_thrombosis_on_a_preventive_dose":         {"asap", 3},
		"surgery_is_planned":                            {"routine", 28},
		"caval_filter_known_from_an_active_device_only": {"routine", 28},
	} {
		archive, err := txtar.ParseFile(filepath.Join(storyFolder, story+".txtar"))
		if err != nil {
			t.Fatal(err)
		}
		wants := assessStory(t, archive, basis(t)).Wants()
		if len(wants) != 1 || wants[0].Priority != want.priority || wants[0].DueDays != want.days {
			t.Errorf("%s: %+v, want %s in %d days", story, wants, want.priority, want.days)
		}
	}
}
