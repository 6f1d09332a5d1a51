package assess_test

import (
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// TestMergedPatientsAreAnsweredForTheOneThatStays: of two Patients that are one person the answer, and so the referral, names the
// one that replaces the other, whichever of them says so and whatever their ids.
func TestMergedPatientsAreAnsweredForTheOneThatStays(t *testing.T) {
	t.Parallel()
	const placed = `{"resourceType":"Procedure","id":"p","status":"completed","subject":{"reference":"Patient/OLD"},
		"performedDateTime":"2026-01-05","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]}}`
	patient := func(id, link string) string {
		return `{"resourceType":"Patient","id":"` + id + `","name":[{"text":"` + id + `"}]` + link + `}`
	}
	link := func(kind, id string) string {
		return `,"link":[{"type":"` + kind + `","other":{"reference":"Patient/` + id + `"}}]`
	}
	for name, c := range map[string]struct{ first, second, want string }{
		"the first says replaced":     {patient("a", link("replaced-by", "b")), patient("b", ""), "b"},
		"the second says replaced":    {patient("a", ""), patient("b", link("replaced-by", "a")), "a"},
		"the first says it replaces":  {patient("a", link("replaces", "b")), patient("b", ""), "a"},
		"the second says it replaces": {patient("a", ""), patient("b", link("replaces", "a")), "b"},
		"both say it of each other":   {patient("a", link("replaced-by", "b")), patient("b", link("replaced-by", "a")), "a"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rec := recordOf([]fhir.Resource{mustDecode(t, c.first), mustDecode(t, c.second), mustDecode(t, placed)}, nil)
			a := assess.Patient(rec, basis(t), filter.NewDay(2026, 6, 1)).Assessment
			if a.Patient != "Patient/"+c.want || a.Person.Name != c.want || len(a.Filters) != 1 {
				t.Errorf("the answer is about %s, named %s, with %d filters; want %s", a.Patient, a.Person.Name, len(a.Filters), c.want)
			}
		})
	}
}
