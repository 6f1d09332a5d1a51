package screen

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/fhir"
)

// TestReferencesFoundAreThoseOfTheWalk: the index holds the references that a walk through what encoding/json builds finds.
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
		var built any
		if err := json.Unmarshal(body, &built); err != nil {
			t.Fatal(err)
		}
		const base = "https://lab.example/fhir"
		if diff := cmp.Diff(walked(built, base), references(fhir.Resource{Raw: body}.Document(), base)); diff != "" {
			t.Fatalf("%s (-walked +found):\n%s", body, diff)
		}
	})
}

func walked(v any, base string) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		for name, m := range v {
			if text, ok := m.(string); ok && name == "reference" {
				if local := fhir.ParseReference(text).Local(base); local != "" && !strings.HasPrefix(local, "Patient/") {
					out = append(out, local)
				}
			}
			out = append(out, walked(m, base)...)
		}
	case []any:
		for _, e := range v {
			out = append(out, walked(e, base)...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
