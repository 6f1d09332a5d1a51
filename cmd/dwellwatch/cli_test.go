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

// TestREADMENamesEveryVariable compares the README's table with the options of the program, both ways.
func TestREADMENamesEveryVariable(t *testing.T) {
	t.Parallel()
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var inReadme []string
	for _, m := range regexp.MustCompile("(?m)^\\| `(DWELLWATCH_[A-Z_]+)` \\|").FindAllStringSubmatch(string(readme), -1) {
		inReadme = append(inReadme, m[1])
	}
	parser, err := kong.New(&cli{})
	if err != nil {
		t.Fatal(err)
	}
	inCode := []string{"DWELLWATCH_PG_BIN"} // read by internal/pgembed, for tests as well
	var walk func(n *kong.Node)
	walk = func(n *kong.Node) {
		for _, f := range n.Flags {
			inCode = append(inCode, f.Envs...)
		}
		for _, c := range n.Children {
			walk(c)
		}
	}
	walk(parser.Model.Node)
	slices.Sort(inReadme)
	slices.Sort(inCode)
	if diff := cmp.Diff(slices.Compact(inCode), inReadme); diff != "" {
		t.Errorf("variables (-code +README):\n%s", diff)
	}
}
