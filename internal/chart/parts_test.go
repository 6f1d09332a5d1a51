package chart

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"strings"
	"testing"
)

// TestPartsLetEveryPhraseBe: a function that looks at bytes first, with mayHold, must not pass over a phrase that it would have said
// yes to. Every phrase in it holds one of the parts. (saysAction wants a word for a filter whatever else it hears.)
func TestPartsLetEveryPhraseBe(t *testing.T) {
	t.Parallel()
	checked := 0
	for _, file := range []string{"words.go", "reports.go", "conditions.go"} {
		tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range tree.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			var parts, phrases []string
			ast.Inspect(f, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				switch name := called(call); name {
				case "mayHold":
					parts = append(parts, texts(call)...)
					return false
				case "says":
					phrases = append(phrases, texts(call)...)
				case "filterPhrases":
					phrases = append(phrases, filterPhrases()...)
				case "heartPhrases":
					phrases = append(phrases, heartPhrases()...)
				}
				return true
			})
			if len(parts) == 0 {
				continue
			}
			for _, p := range phrases {
				held := false
				for _, part := range parts {
					held = held || strings.Contains(p, part)
				}
				// A single word may be a negation that the function looks for beside its phrases.
				if !held && !negates(p) && p != "unable" {
					t.Errorf("%s: %s passes over %q", file, f.Name.Name, p)
				}
				checked++
			}
		}
	}
	for _, p := range heartPhrases() {
		if !mayHoldHeart(p) {
			t.Errorf("the heart's parts pass over %q", p)
		}
	}
	if checked < 60 {
		t.Errorf("only %d phrases were looked at", checked)
	}
}

func called(c *ast.CallExpr) string {
	switch f := c.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

func texts(c *ast.CallExpr) []string {
	var out []string
	for _, a := range c.Args {
		if lit, ok := a.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			if s, err := strconv.Unquote(lit.Value); err == nil {
				out = append(out, s)
			}
		}
	}
	return out
}
