package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/desk"
	"dwellwatch/internal/writeback"
)

// TestAttentionCodesAreToldEverywhere: every code for which a person must look has words of its own, a series of the metrics, and a place
// in the README.
func TestAttentionCodesAreToldEverywhere(t *testing.T) {
	t.Parallel()
	file, err := parser.ParseFile(token.NewFileSet(), "../../internal/writeback/converger.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var declared []string
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok || !strings.HasPrefix(spec.Names[0].Name, "Attention") {
			return true
		}
		code, err := strconv.Unquote(spec.Values[0].(*ast.BasicLit).Value)
		if err != nil {
			t.Fatal(err)
		}
		declared = append(declared, code)
		return true
	})
	if diff := cmp.Diff(declared, writeback.AttentionCodes()); diff != "" || len(declared) == 0 {
		t.Errorf("codes (-declared +listed):\n%s", diff)
	}
	series, readme := byCode(nil), readme(t)
	said := []string{desk.AttentionWords("of another service")}
	for _, code := range declared {
		if _, ok := series[code]; !ok {
			t.Errorf("%s has no series", code)
		}
		words := desk.AttentionWords(code)
		if slices.Contains(said, words) || strings.Contains(words, code+":") {
			t.Errorf("%s has no words of its own: %q", code, words)
		}
		said = append(said, words)
		if !strings.Contains(readme, "`"+code+"`") {
			t.Errorf("%s is not in the README", code)
		}
	}
}
