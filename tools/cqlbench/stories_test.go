package cqlbench

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
)

func stories(t testing.TB) []chartOf {
	if os.Getenv("STORIES") == "" {
		return nil
	}
	files, _ := filepath.Glob("../../testdata/stories/*.txtar")
	var out []chartOf
	for _, f := range files {
		body, _ := os.ReadFile(f)
		name := strings.TrimSuffix(filepath.Base(f), ".txtar")
		sec := map[string]string{}
		cur := ""
		for line := range strings.Lines(string(body)) {
			if strings.HasPrefix(line, "-- ") {
				cur = strings.Trim(strings.TrimSpace(line), "- ")
				continue
			}
			sec[cur] += line
		}
		if sec["bundle.json"] == "" {
			continue
		}
		day, err := filter.ParseDay(strings.TrimSpace(sec["asof"]))
		if err != nil {
			continue
		}
		if c, ok := chartFrom(t, name, []byte(sec["bundle.json"]), day); ok {
			out = append(out, c)
		}
	}
	return out
}
