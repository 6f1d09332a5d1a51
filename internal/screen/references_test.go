package screen

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
	"pgregory.net/rapid"
)

// TestReferencesFoundAreThoseOfTheWalk: the search of the bytes finds what a walk through the document finds.
func TestReferencesFoundAreThoseOfTheWalk(t *testing.T) {
	t.Parallel()
	var value func(t *rapid.T, depth int) any
	value = func(t *rapid.T, depth int) any {
		text := rapid.SampledFrom([]string{"Device/d", "Patient/p", "Procedure/x/_history/3", "reference", `"reference": "Device/no"`, `\u0072eference`, "https://lab.example/fhir/Device/e", "#c", "a\"b", ""})
		switch kind := rapid.IntRange(0, 5).Draw(t, "kind"); {
		case kind == 0 && depth > 0:
			list := make([]any, rapid.IntRange(0, 3).Draw(t, "length"))
			for i := range list {
				list[i] = value(t, depth-1)
			}
			return list
		case kind < 4 && depth > 0:
			object := map[string]any{}
			for range rapid.IntRange(0, 3).Draw(t, "members") {
				object[rapid.SampledFrom([]string{"reference", "subject", "display", "références", "reference ", "other"}).Draw(t, "name")] = value(t, depth-1)
			}
			return object
		}
		return text.Draw(t, "text")
	}
	rapid.Check(t, func(t *rapid.T) {
		body, err := json.Marshal(map[string]any{"reference": value(t, 0), "a": value(t, 4)})
		if err != nil {
			t.Fatal(err)
		}
		doc := gjson.ParseBytes(body)
		if diff := cmp.Diff(walked(doc, "https://lab.example/fhir"), references(string(body), "https://lab.example/fhir")); diff != "" {
			t.Fatalf("%s (-walked +found):\n%s", body, diff)
		}
	})
}
