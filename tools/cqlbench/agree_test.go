package cqlbench

import (
	"cmp"
	"fmt"
	"slices"
	"testing"

	"dwellwatch/internal/assess"
)

// differs names the fields of patients in which the two cannot agree, with the limit of the engine that each is due to.
var differs = map[string]map[string]string{
	"ab-12": {
		"verdict": "that the pain is of the filter stands in free text, and the engine has no string matching",
		"holds":   "no plan follows from the other verdict",
	},
	"ab-14": {
		"verdict":   "that a fragment lies in the heart stands in free text, and the engine has no string matching",
		"changesOn": "it is the day on which that complication is no longer current",
	},
	"ab-19": {
		"changesOn": "the day of the appointment is an instant, which the engine does not read",
	},
}

func TestTheTwoAgree(t *testing.T) {
	e, on := newEngine(t), basis(t)
	var d desk
	compared, agree := 0, 0
	for _, c := range charts(t) {
		theirs := read(t, e.byCQL(t, c.theirs, c.asOf))
		ours := told(byAssessment(t, &d, on, c))
		slices.SortStableFunc(theirs, func(a, b answer) int { return cmp.Compare(a.Placed, b.Placed) })
		slices.SortStableFunc(ours, func(a, b answer) int { return cmp.Compare(a.Placed, b.Placed) })
		if len(theirs) != len(ours) {
			t.Errorf("%s: the engine sees %d filters, the assessment %d", c.name, len(theirs), len(ours))
			continue
		}
		for i := range ours {
			for field, said := range ours[i].fields() {
				compared++
				got, excused := theirs[i].fields()[field], differs[c.name][field] != ""
				if excused && got == said {
					t.Errorf("%s: the two agree on %s; take it off the list", c.name, field)
				}
				if excused {
					continue
				}
				if got != said {
					t.Errorf("%s: %s is %q by the engine and %q by the assessment", c.name, field, got, said)
					continue
				}
				agree++
			}
		}
	}
	fmt.Printf("%d of %d fields agree\n", agree, compared)
}

// fields names what is compared.
func (a answer) fields() map[string]string {
	return map[string]string{
		"standing": a.Standing, "window": a.Window, "indication": a.Indication, "level": a.Level, "since": a.Since, "verdict": a.Verdict,
		"overdue": fmt.Sprint(a.Overdue), "changesOn": a.ChangesOn, "asked": a.Asked, "holds": fmt.Sprint(a.Holds),
	}
}

// told gives what is compared of an assessment.
func told(r assess.Result) []answer {
	var out []answer
	for _, f := range r.Assessment.Filters {
		a := answer{Standing: f.Standing, Window: f.Window, Indication: f.Indication, Level: f.Anticoagulation.Level, Since: deref(f.Anticoagulation.Since),
			Verdict: f.Verdict, ChangesOn: deref(f.ChangesOn), Overdue: f.Overdue, Asked: f.Asked}
		if f.Placed != nil {
			a.Placed = deref(f.Placed.Earliest)
		}
		if f.Plan != nil {
			for _, h := range f.Plan.Anticoagulation.Holds {
				a.Holds = append(a.Holds, hold{h.Agent, h.Hold})
			}
		}
		out = append(out, a)
	}
	return out
}

func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
