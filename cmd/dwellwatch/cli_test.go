package main

import (
	"os"
	"regexp"
	"slices"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts runs the command line as a person would; each script is one behaviour.
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			wd, err := os.Getwd()
			if err != nil {
				return err
			}
			e.Setenv("HOSPITAL", wd+"/../../internal/demo/hospital")
			e.Setenv("CATALOGUE", wd+"/../../internal/demo/catalogue.json")
			return nil
		},
	})
}

func readme(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestREADMENamesEveryVariable compares the README's table with the options of the program, both ways.
func TestREADMENamesEveryVariable(t *testing.T) {
	t.Parallel()
	var inReadme []string
	for _, m := range regexp.MustCompile("(?m)^\\| `(DWELLWATCH_[A-Z_]+)` \\|").FindAllStringSubmatch(readme(t), -1) {
		inReadme = append(inReadme, m[1])
	}
	parser, err := kong.New(&cli{})
	if err != nil {
		t.Fatal(err)
	}
	inCode := variables(parser.Model.Node)
	slices.Sort(inReadme)
	slices.Sort(inCode)
	if diff := cmp.Diff(slices.Compact(inCode), inReadme); diff != "" {
		t.Errorf("variables (-code +README):\n%s", diff)
	}
}

// TestUnknownVariablesAreNamed: only what looks like ours and is none, and never with its value.
func TestUnknownVariablesAreNamed(t *testing.T) {
	t.Parallel()
	parser, err := kong.New(&cli{})
	if err != nil {
		t.Fatal(err)
	}
	environ := []string{"DWELLWATCH_ZONE=UTC", "DWELLWATCH_PG_BIN=/x", "DWELLWATCH_ZONES=secret", "PATH=/bin", "DWELLWATCH_=1", "DWELLWATCH_RECROD_URL=https://secret", "dwellwatch_token=1"}
	want := []string{"DWELLWATCH_", "DWELLWATCH_RECROD_URL", "DWELLWATCH_ZONES"}
	if diff := cmp.Diff(want, unknownVariables(environ, parser.Model.Node)); diff != "" {
		t.Errorf("unknown variables (-want +got):\n%s", diff)
	}
}
