package compose_test

import (
	"encoding/json"
	"strings"
	"testing"

	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/tidwall/gjson"

	"dwellwatch/internal/compose"
)

// choices counts the value[x] of each Task.input and Task.output. http://hl7.org/fhir/R4/task.html: each has exactly one.
func choices(raw []byte) []int {
	var out []int
	for _, list := range []string{"input", "output"} {
		for _, parameter := range gjson.GetBytes(raw, list).Array() {
			n := 0
			parameter.ForEach(func(name, _ gjson.Result) bool {
				if strings.HasPrefix(name.String(), "value") {
					n++
				}
				return true
			})
			out = append(out, n)
		}
	}
	return out
}

// TestEveryTaskParameterHasOneValue holds what samply's Task cannot: its parameters are written with every type of value
// at once, those of people's too when they have only been read (golang-fhir-models v0.3.2).
func TestEveryTaskParameterHasOneValue(t *testing.T) {
	t.Parallel()
	ours := mustTask(t, referralFor("refer"), fullSite(), now, "DocumentReference/d1")
	theirs := foreign(t, ours)
	merged, _, err := compose.Merge(theirs, mustTask(t, referralFor("urgent"), fullSite(), now, "DocumentReference/d2"), fullSite())
	if err != nil {
		t.Fatal(err)
	}
	for name, raw := range map[string][]byte{"created": ours, "of others": theirs, "merged": merged} {
		counts := choices(raw)
		if len(counts) < 5 {
			t.Errorf("%s: %d parameters, too few to show anything", name, len(counts))
		}
		for i, n := range counts {
			if n != 1 {
				t.Errorf("%s: parameter %d has %d values", name, i, n)
			}
		}
	}
	task, err := samply.UnmarshalTask(ours)
	if err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(task)
	if err != nil {
		t.Fatal(err)
	}
	if counts := choices(again); len(counts) == 0 || counts[0] < 20 {
		t.Errorf("samply writes parameters with %d values by now", counts)
	}
}
