package cqlbench

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
)

// words are elements in which people write what the engine cannot search.
var words = regexp.MustCompile(`"(text|note|comment|description|patientInstruction|valueString|performedString|conclusion)":`)

// stories gives the patients of the stories that are told by codes and full days only, each on its own day.
func stories(t testing.TB) []chartOf {
	t.Helper()
	files, err := filepath.Glob("../../testdata/stories/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	var out []chartOf
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		sections := map[string]string{}
		name := ""
		for line := range strings.Lines(string(body)) {
			if strings.HasPrefix(line, "-- ") {
				name = strings.Trim(strings.TrimSpace(line), "- ")
				continue
			}
			sections[name] += line
		}
		bundle := sections["bundle.json"]
		if bundle == "" || words.MatchString(bundle) {
			continue
		}
		day, err := filter.ParseDay(strings.TrimSpace(sections["asof"]))
		if err != nil {
			t.Fatal(file, err)
		}
		if c, ok := chartFrom(t, strings.TrimSuffix(filepath.Base(file), ".txtar"), []byte(bundle), day); ok {
			out = append(out, c)
		}
	}
	if len(out) < 250 {
		t.Fatalf("only %d stories", len(out))
	}
	return out
}
