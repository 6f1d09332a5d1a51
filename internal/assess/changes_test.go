package assess_test

import (
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/tools/txtar"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
)

func on(day string) assess.Range { return assess.Range{Earliest: &day, Latest: &day} }

func said() assess.Said {
	placed, agent, since := on("2025-01-10"), "apixaban", "2025-02-03"
	return assess.Said{
		Assessment: assess.Assessment{AsOf: "2026-03-01", Patient: "Patient/p", Context: assess.ContextPulled, Person: assess.Person{Name: "Testperson Example"},
			Filters: []assess.Filter{{
				Standing: "in-place", Placed: &placed, Verdict: "refer", Window: "past", Indication: "resolved", PlannedIntent: "unknown", Asked: "none", Headline: "Why.",
				Anticoagulation: assess.Anticoagulation{Level: "therapeutic", Agent: &agent, Since: &since},
				Events:          []assess.Event{{When: placed, What: "placement", Text: "Filter placed", Evidence: []string{"Procedure/1"}}},
				Findings:        []assess.Finding{{Rule: "dwell", Text: "In for long.", Evidence: []string{"Procedure/1"}}, {Rule: "attempts", Text: "None.", Evidence: []string{"Procedure/1"}}},
				Missing:         []assess.Missing{{What: "weight", Text: "No weight."}},
				Plan: &plan.Plan{Approach: plan.Approach{First: "standard"}, Predictors: []plan.Predictor{{Name: "tilt", State: plan.NotKnown, Text: "None."}},
					Laboratory: plan.Laboratory{Needed: true, Tests: []plan.Test{{Name: "INR", Result: "pass", Pass: new(float64)}}}},
			}}},
		Referral: draft.Referral{Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine", DueOn: filter.NewDay(2026, 3, 29)},
	}
}

// TestChanges: each thing that is said or asked is told when it changes, and nothing else is.
func TestChanges(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*assess.Said, *assess.Filter)
		want   []assess.Change
	}{
		"nothing": {func(*assess.Said, *assess.Filter) {}, nil},
		"days that pass": {func(s *assess.Said, f *assess.Filter) {
			n := 400
			s.Assessment.AsOf, f.DwellDays, f.LookAgainOn = "2026-03-20", &assess.Days{Min: &n, Max: &n}, &s.Assessment.AsOf
		}, nil},
		"a value judged as before": {func(_ *assess.Said, f *assess.Filter) {
			v := 1.4
			f.Plan.Laboratory.Tests[0].Value, f.Plan.Laboratory.Tests[0].Text = &v, "1.4"
		}, nil},
		"a value judged otherwise": {func(_ *assess.Said, f *assess.Filter) { f.Plan.Laboratory.Tests[0].Result = "correct" },
			[]assess.Change{{"test", "INR", "pass", "correct"}}},
		"verdict and standing": {func(_ *assess.Said, f *assess.Filter) {
			out := on("2026-03-02")
			f.Verdict, f.Standing, f.Removed = "closed", "removed", &out
		}, []assess.Change{{"verdict", "", "refer", "closed"}, {"standing", "", "in-place", "removed"}, {"removed", "", "", "2026-03-02"}}},
		"anticoagulant": {func(_ *assess.Said, f *assess.Filter) { f.Anticoagulation = assess.Anticoagulation{Level: "none"} },
			[]assess.Change{{"anticoagulation", "", "therapeutic", "none"}, {"agent", "", "apixaban", ""}, {"since", "", "2025-02-03", ""}}},
		"an attempt": {func(_ *assess.Said, f *assess.Filter) {
			f.Events = append(f.Events, assess.Event{When: on("2026-02-17"), What: "attempt", Text: "Tried.", Evidence: []string{"Procedure/2"}})
		}, []assess.Change{{"event", "attempt", "", "2026-02-17: Tried."}}},
		"an attempt taken back": {func(_ *assess.Said, f *assess.Filter) { f.Events = nil },
			[]assess.Change{{"event", "placement", "2025-01-10: Filter placed", ""}}},
		"a day corrected": {func(_ *assess.Said, f *assess.Filter) {
			placed := assess.Range{Earliest: ptr("2025-01-01"), Latest: ptr("2025-01-31")}
			f.Placed, f.Events[0].When = &placed, placed
		}, []assess.Change{{"placed", "", "2025-01-10", "2025-01-01 to 2025-01-31"}, {"event", "placement", "2025-01-10: Filter placed", "2025-01-01 to 2025-01-31: Filter placed"}}},
		"a complication before other findings": {func(_ *assess.Said, f *assess.Filter) {
			f.Findings = []assess.Finding{{Rule: "dwell", Text: "In for longer.", Evidence: []string{"Procedure/1"}}, {Rule: "fracture", Text: "Broken."}}
		}, []assess.Change{{"complication", "fracture", "", "Broken."}, {"finding", "dwell", "In for long.", "In for longer."}, {"finding", "attempts", "None.", ""}}},
		"contradiction and gap": {func(_ *assess.Said, f *assess.Filter) {
			f.Contradictions, f.Missing = []assess.Contradiction{{Kind: "which", Text: "Two models."}}, nil
		}, []assess.Change{{"contradiction", "which", "", "Two models."}, {"missing", "weight", "No weight.", ""}}},
		"plan": {func(_ *assess.Said, f *assess.Filter) {
			f.Plan.Approach = plan.Approach{First: "advanced", Complex: true}
			f.Plan.Predictors[0] = plan.Predictor{Name: "tilt", State: plan.Present, Text: "20 degrees."}
		}, []assess.Change{{"approach", "", "standard", "advanced"}, {"complex", "", "no", "yes"}, {"predictor", "tilt", "not known. None.", "present. 20 degrees."}}},
		"plan gone": {func(_ *assess.Said, f *assess.Filter) { f.Plan = nil }, []assess.Change{{"plan", "", "made", "none"}}},
		"asked more urgently": {func(s *assess.Said, _ *assess.Filter) {
			s.Referral.Revision, s.Referral.Priority, s.Referral.DueOn = 2, "asap", filter.NewDay(2026, 3, 15)
		}, []assess.Change{{"priority", "", "routine", "asap"}, {"dueOn", "", "2026-03-29", "2026-03-15"}}},
		"asked again": {func(s *assess.Said, _ *assess.Filter) { s.Referral.Round, s.Referral.Again = 2, "rejected" },
			[]assess.Change{{"round", "rejected", "1", "2"}}},
		"approved":    {func(s *assess.Said, _ *assess.Filter) { s.Referral.Round, s.Referral.Approved = 2, true }, []assess.Change{{About: "approved"}}},
		"person":      {func(s *assess.Said, _ *assess.Filter) { s.Assessment.Person.Deceased = true }, []assess.Change{{"deceased", "", "no", "yes"}}},
		"other entry": {func(_ *assess.Said, f *assess.Filter) { f.Findings[0].Evidence = []string{"Procedure/7"} }, []assess.Change{{About: "details"}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			after := said()
			c.change(&after, &after.Assessment.Filters[0])
			if diff := cmp.Diff(c.want, assess.Changes(said(), after)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestChangesFollowTheMeaning: between any two stories' answers there is a change exactly where the digest of meaning differs; what
// went through the database as JSON is compared to the same effect.
func TestChangesFollowTheMeaning(t *testing.T) {
	t.Parallel()
	b := basis(t)
	type told struct {
		said    assess.Said
		meaning string
	}
	var all []told
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		res := assessStory(t, archive, b)
		for _, f := range res.Assessment.Filters {
			a := res.Assessment
			a.Filters = []assess.Filter{f}
			i := slices.IndexFunc(res.Wants(), func(w draft.Want) bool { return w.Key == f.Key })
			all = append(all, told{assess.Said{Assessment: a}, res.Wants()[i].Meaning})
		}
		day, err := filter.ParseDay(strings.TrimSpace(section(archive, "asof")))
		if err != nil {
			t.Fatal(err)
		}
		later := assess.Patient(assess.Split(resources(t, []byte(section(archive, "bundle.json"))))[0], b, day.Add(1))
		for i, f := range res.Assessment.Filters {
			if i >= len(later.Assessment.Filters) || later.Wants()[i].Meaning != res.Wants()[i].Meaning {
				continue
			}
			x, y := res.Assessment, later.Assessment
			x.Filters, y.Filters = []assess.Filter{f}, later.Assessment.Filters[i:i+1]
			if got := assess.Changes(assess.Said{Assessment: x}, assess.Said{Assessment: y}); len(got) > 0 {
				t.Errorf("%s: a day later the same is meant, and %v changed", filepath.Base(path), got)
			}
		}
	}
	differ := 0
	for i, x := range all {
		y := all[(i+1)%len(all)]
		got := assess.Changes(x.said, y.said)
		if (len(got) > 0) != (x.meaning != y.meaning) {
			t.Errorf("%s and %s: %d changes", x.said.Assessment.Patient, y.said.Assessment.Patient, len(got))
		}
		if len(got) > 0 {
			differ++
		}
		if diff := cmp.Diff(got, assess.Changes(stored(t, x.said), stored(t, y.said))); diff != "" {
			t.Errorf("after the database (-direct +stored):\n%s", diff)
		}
	}
	if differ < 100 {
		t.Errorf("only %d pairs differ", differ)
	}
}

func stored(t *testing.T, s assess.Said) assess.Said {
	t.Helper()
	body, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var out assess.Said
	if err := json.Unmarshal(body, &out); err != nil {
		t.Fatal(err)
	}
	return out
}
func ptr[T any](v T) *T { return &v }
