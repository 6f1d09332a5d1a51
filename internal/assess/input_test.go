package assess_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
)

// TestSplitJoinsLinkedPatients: what the record has merged is one person, as in the store, whoever says so and in whatever order.
func TestSplitJoinsLinkedPatients(t *testing.T) {
	t.Parallel()
	patient := func(id, version, kind string, others ...string) string {
		links := ""
		for n, other := range others {
			if n > 0 {
				links += ","
			}
			links += `{"type":"` + kind + `","other":{"reference":"Patient/` + other + `"}}`
		}
		return `{"resourceType":"Patient","id":"` + id + `","meta":{"versionId":"` + version + `"},"link":[` + links + `]}`
	}
	procedure := func(id, of string) string {
		return `{"resourceType":"Procedure","id":"` + id + `","status":"completed","subject":{"reference":"Patient/` + of + `"}}`
	}
	for name, c := range map[string]struct {
		bodies []string
		want   map[string]int
	}{
		"replaced by":      {[]string{patient("a", "1", "replaced-by", "b"), procedure("pb", "b"), procedure("pa", "a")}, map[string]int{"Patient/a": 3}},
		"replaces":         {[]string{patient("b", "1", "replaces", "a"), procedure("pb", "b"), procedure("pa", "a")}, map[string]int{"Patient/a": 3}},
		"a chain":          {[]string{patient("c", "1", "replaces", "b"), patient("a", "1", "replaced-by", "b"), procedure("pb", "b")}, map[string]int{"Patient/a": 3}},
		"a loop":           {[]string{patient("a", "1", "replaces", "b"), patient("b", "1", "replaces", "a")}, map[string]int{"Patient/a": 2}},
		"see also":         {[]string{patient("a", "1", "seealso", "b"), procedure("pb", "b")}, map[string]int{"Patient/a": 1, "Patient/b": 1}},
		"taken back":       {[]string{patient("a", "2", "replaces"), patient("a", "1", "replaces", "b"), procedure("pb", "b")}, map[string]int{"Patient/a": 2, "Patient/b": 1}},
		"somebody unknown": {[]string{patient("a", "1", "replaces", "z"), procedure("pa", "a")}, map[string]int{"Patient/a": 2}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for range 2 {
				slices.Reverse(c.bodies)
				var all []fhir.Resource
				for _, body := range c.bodies {
					all = append(all, mustDecode(t, body))
				}
				got := map[string]int{}
				for _, r := range assess.Split(all) {
					got[r.Person] = len(r.Entries)
				}
				if diff := cmp.Diff(c.want, got); diff != "" {
					t.Errorf("(-want +got):\n%s", diff)
				}
			}
		})
	}
}
