package assess_test

import (
	"fmt"
	"regexp"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
)

// keep gives the entries whose references are kept, and the Patient always.
func keep(resources []fhir.Resource, kept func(ref string) bool) []fhir.Resource {
	return slices.DeleteFunc(slices.Clone(resources), func(r fhir.Resource) bool { return r.Type != "Patient" && !kept(r.Ref()) })
}

// TestEvidenceIsAllThatWasUsed: a finding stays as it is when everything that its evidence does not list is taken away (the Patient
// stays). What it then lists may be less: an entry that went before another is not needed where that one is gone.
func TestEvidenceIsAllThatWasUsed(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		res := assess.Patient(recordOf(resources, nil), b, asOf)
		for _, f := range res.Assessment.Filters {
			for _, x := range f.Findings {
				only := keep(resources, func(ref string) bool { return slices.Contains(x.Evidence, ref) })
				if !says(assess.Patient(recordOf(only, nil), b, asOf), x) {
					t.Fatalf("finding %s needs an entry that it does not list: %q %v", x.Rule, x.Text, x.Evidence)
				}
			}
		}
	})
}

// TestEveryListedEntryWasUsed: for every entry that a finding lists there are others of the list beside which its coming
// changes what the rule says. (Where two entries say the same, neither changes it beside the other.) The entries that
// tell the filter's history, or put it in doubt, are listed with every finding, because it is about that filter; what their notes
// and reasons say beside it may be another's word, too. The values by which an anticoagulant has its level are listed with every finding that tells of
// the level: an INR out of range says why it is open, though without any INR it would be open too.
func TestEveryListedEntryWasUsed(t *testing.T) {
	t.Parallel()
	b := basis(t)
	beside := []*regexp.Regexp{nil, regexp.MustCompile(`,"note":\[[^\]]*\]`), regexp.MustCompile(`,"reasonCode":\[\{"coding":\[[^\]]*\]\}\]|,"reasonReference":\[[^\]]*\]`)}
	const most = 7 // entries beside which every choice of others is tried
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		res := assess.Patient(recordOf(resources, nil), b, asOf)
		heard := map[string]string{}
		history := []string{"Patient/" + generatedPatient}
		for _, f := range res.Assessment.Filters {
			history = append(history, f.Evidence...)
			for _, c := range f.Contradictions {
				history = append(history, c.Evidence...)
			}
		}
		for _, f := range res.Assessment.Filters {
			values := levelValues(f)
			for _, x := range f.Findings {
				if len(x.Evidence) > most {
					continue
				}
				said := func(chosen int, without *regexp.Regexp) string {
					key := fmt.Sprint(x.Rule, without)
					for i, ref := range x.Evidence {
						if chosen&(1<<i) != 0 {
							key += " " + ref
						}
					}
					if _, ok := heard[key]; !ok {
						some := keep(resources, func(ref string) bool {
							i := slices.Index(x.Evidence, ref)
							return i >= 0 && chosen&(1<<i) != 0
						})
						for i := range some {
							if without != nil && slices.Contains(history, some[i].Ref()) {
								some[i].Raw = without.ReplaceAll(some[i].Raw, nil)
							}
						}
						heard[key] = sayings(assess.Patient(recordOf(some, nil), b, asOf), x.Rule)
					}
					return heard[key]
				}
				for i, ref := range x.Evidence {
					used := slices.Contains(history, ref) || slices.Contains(values, ref) && x.Rule != "anticoagulation-level"
					for chosen := 0; chosen < 1<<len(x.Evidence) && !used; chosen++ {
						used = chosen&(1<<i) == 0 && slices.ContainsFunc(beside, func(without *regexp.Regexp) bool { return said(chosen, without) != said(chosen|1<<i, without) })
					}
					if !used {
						// Beside an entry that is not listed, because this one goes before it.
						without := keep(resources, func(r string) bool { return r != ref })
						used = sayings(res, x.Rule) != sayings(assess.Patient(recordOf(without, nil), b, asOf), x.Rule)
					}
					if !used {
						t.Fatalf("finding %s lists %s without using it: %q %v", x.Rule, ref, x.Text, x.Evidence)
					}
				}
			}
		}
	})
}

// levelValues gives the measured values by which an anticoagulant has its level.
func levelValues(f assess.Filter) []string {
	at := slices.IndexFunc(f.Findings, func(x assess.Finding) bool { return x.Rule == "anticoagulation-level" })
	if at < 0 {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(f.Findings[at].Evidence), func(ref string) bool { return !slices.Contains(f.Measured, ref) })
}

// sayings joins what a rule says of all filters and by which values, without evidence.
func sayings(res assess.Result, rule string) string {
	out := ""
	for _, f := range res.Assessment.Filters {
		for _, x := range f.Findings {
			if x.Rule == rule {
				out += x.Text + " " + x.By + "\n"
			}
		}
	}
	return out
}

func says(res assess.Result, x assess.Finding) bool {
	for _, f := range res.Assessment.Filters {
		if slices.ContainsFunc(f.Findings, func(y assess.Finding) bool {
			y.Evidence = x.Evidence
			return cmp.Equal(x, y)
		}) {
			return true
		}
	}
	return false
}
