package chart

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestCodesAreThoseOfTheirSources compares the shipped value sets with lists of codes that were put together from public files, each
// row with its source (testdata/codes). A set "-" is a code that must mean nothing here: a look-alike, or a thing that is over.
func TestCodesAreThoseOfTheirSources(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("../../testdata/codes/*.tsv")
	if err != nil || len(files) < 5 {
		t.Fatalf("%d lists, %v", len(files), err)
	}
	listed := map[string]bool{}
	used := map[string]int{}
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(string(body)), "\n")
		if lines[0] != "system\tcode\tset\tmeaning\tknown\tsource" {
			t.Fatalf("%s: heading %q", file, lines[0])
		}
		for n, line := range lines[1:] {
			f := strings.Split(line, "\t")
			if len(f) != 6 || f[5] == "" || f[4] != "seen" && f[4] != "memory" {
				t.Errorf("%s:%d: %q is not a row", filepath.Base(file), n+2, line)
				continue
			}
			key := f[0] + "|" + f[1]
			if listed[key] {
				t.Errorf("%s stands twice", key)
			}
			listed[key] = true
			got := sets.names(f[0], f[1])
			want := []string{f[2]}
			if f[2] == "-" {
				want = nil
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s (%s): in %v, want %v", key, f[3], got, want)
			}
			used[f[2]]++
		}
	}
	for key, names := range sets.codes {
		if !listed[key] {
			t.Errorf("%s of %v ships without a row that names its source", key, names)
		}
	}
	for _, patterns := range sets.patterns {
		for _, p := range patterns {
			if used[p.name] == 0 {
				t.Errorf("no row shows a code of the pattern of %s", p.name)
			}
		}
	}
	if used["-"] < 30 {
		t.Errorf("only %d codes that must mean nothing", used["-"])
	}
}
