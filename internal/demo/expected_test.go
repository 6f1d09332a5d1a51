package demo

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestExpectedWords(t *testing.T) {
	t.Parallel()
	words := map[string][]string{
		"standing":        {"in-place", "removed", "partly-removed", "unclear", "*"},
		"window":          {"before", "in", "past", "undetermined"},
		"indication":      {"resolved", "likely-resolved", "still-indicated", "unknown"},
		"anticoagulation": {"therapeutic", "reduced", "prophylactic", "none", "indeterminate", "unknown"},
		"verdict":         {"refer", "urgent", "review", "wait", "keep", "clarify", "closed"},
		"overdue":         {"true", "false"},
		"asked":           {"none", "requested", "booked", "declined"},
		"task":            {"routine", "asap", "urgent", "stat", "none"},
		"to":              {"clinic", "coordinator", "none"},
	}
	for _, p := range setup(t) {
		for _, s := range p.Steps {
			for i, r := range s.Expected {
				if r.Patient != p.ID || r.File != s.File || r.Cites == "" || !strings.HasSuffix(r.Why, ".") {
					t.Errorf("%s row %d is not whole", s.File, i+1)
				}
				if r.Filter == "0" {
					want := Row{File: r.File, Patient: r.Patient, Filter: "0", Standing: "-", Placed: "-", Window: "-", Indication: "-",
						Anticoagulation: "-", Verdict: "-", Overdue: "-", Asked: "-", Task: "none", To: "none", Cites: r.Cites, Why: r.Why}
					if d := cmp.Diff(want, r); d != "" {
						t.Errorf("%s (-want +got):\n%s", s.File, d)
					}
					continue
				}
				if r.Filter != "*" && r.Filter != string(rune('1'+i)) {
					t.Errorf("%s: filter %s is row %d", s.File, r.Filter, i+1)
				}
				for column, got := range map[string]string{"standing": r.Standing, "window": r.Window, "indication": r.Indication,
					"anticoagulation": r.Anticoagulation, "verdict": r.Verdict, "overdue": r.Overdue, "asked": r.Asked, "task": r.Task, "to": r.To} {
					if !slices.Contains(words[column], got) {
						t.Errorf("%s: %s is %q", s.File, column, got)
					}
				}
			}
		}
	}
}

// TestExpectedFollowsTheRules checks the table against those lines of rules.md that tie its columns together.
func TestExpectedFollowsTheRules(t *testing.T) {
	t.Parallel()
	for _, p := range setup(t) {
		for _, s := range p.Steps {
			for _, r := range s.Expected {
				if r.Filter == "0" {
					continue
				}
				to := "none" // "What is drafted"
				switch r.Verdict {
				case "urgent":
					to = "clinic"
				case "refer", "review":
					if r.Asked == "none" {
						to = "clinic"
					}
				case "clarify":
					to = "coordinator"
				}
				if r.To != to {
					t.Errorf("%s: verdict %s and asked %s go to %s, not %s", s.File, r.Verdict, r.Asked, to, r.To)
				}
				priority := []string{"routine"}
				switch {
				case to == "none":
					priority = []string{"none"}
				case r.Verdict == "urgent":
					priority = []string{"urgent", "stat"}
				case r.Overdue == "true":
					priority = []string{"asap"}
				case r.Verdict == "review":
					priority = []string{"routine", "asap"} // asap where an acute thromboembolism may be untreated
				}
				if !slices.Contains(priority, r.Task) {
					t.Errorf("%s: task %s, want one of %v", s.File, r.Task, priority)
				}
				overdue := r.Standing == "in-place" && r.Window == "past" && (r.Verdict == "refer" || r.Verdict == "urgent") &&
					(r.Indication == "resolved" || r.Indication == "likely-resolved")
				if (r.Overdue == "true") != overdue {
					t.Errorf("%s: overdue %s, by the rule %v", s.File, r.Overdue, overdue)
				}
			}
		}
	}
}

// TestExpectedWindow counts the window again from the placement for filters that are still in.
func TestExpectedWindow(t *testing.T) {
	t.Parallel()
	asOf, _ := time.Parse(time.DateOnly, Day)
	window := func(day string) string {
		d, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Errorf("%q is no day", day)
		}
		switch dwell := int(asOf.Sub(d).Hours() / 24); {
		case dwell <= 28:
			return "before"
		case dwell <= 54:
			return "in"
		}
		return "past"
	}
	counted := 0
	for _, p := range setup(t) {
		for _, r := range p.Expected() {
			if r.Standing != "in-place" || r.Placed == "-" {
				continue
			}
			earliest, latest, partial := strings.Cut(r.Placed, "..")
			if !partial {
				latest = earliest
			}
			want := window(earliest)
			if window(latest) != want {
				want = "undetermined"
			}
			if r.Window != want {
				t.Errorf("%s: window %s, counted %s", r.File, r.Window, want)
			}
			counted++
		}
	}
	if counted < 14 {
		t.Errorf("only %d windows were counted", counted)
	}
}
