package arch_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dwellwatch/internal/rules"
)

// layer says what one package may import. Direct imports suffice: each allowed package stands in the table itself.
type layer struct {
	ours  string // packages of ours, "*" for any
	std   string // std packages, or "any"
	third string // prefixes of third-party packages, "*" for any
	pure  bool   // no clock, no goroutine, no init, no changing package variable
}

const (
	core  = "cmp errors fmt iter maps math slices sort strconv strings time"
	codec = core + " bytes embed encoding/base64 encoding/json io regexp unicode unicode/utf8 unicode/utf16"
)

// The drawing. Widening a line needs a reason in the commit.
func layers() map[string]layer {
	return map[string]layer{
		".":                  {"", "embed", "", true},
		"fhir":               {"internal/fault", codec + " unsafe", "github.com/samply/", true}, // texts share the memory of what was read, as Raw does
		"internal/fault":     {"", core, "", true},
		"internal/filter":    {"", core, "", true},
		"internal/policy":    {"", core, "", true},
		"internal/catalogue": {"", core, "", true},
		"internal/udi":       {"", core, "", true},
		"internal/renal":     {"", core, "", true},
		"internal/rules":     {"internal/filter internal/policy internal/renal", core, "", true},
		"internal/plan":      {"internal/filter internal/rules internal/policy internal/renal", core, "", true},
		"internal/draft":     {"internal/filter internal/plan", core, "", true},
		"internal/chart":     {"fhir internal/fault internal/filter internal/rules internal/catalogue internal/udi", codec, "github.com/tidwall/gjson", true},
		"internal/screen":    {"fhir internal/chart internal/catalogue", codec, "github.com/tidwall/gjson", true},
		// sha1 is UUIDv5's own hash (RFC 4122), sha256 the digest of meaning.
		"internal/assess":  {"fhir internal/chart internal/screen internal/draft internal/plan internal/rules internal/filter internal/policy internal/catalogue", codec + " crypto/sha1 crypto/sha256 encoding/binary encoding/hex hash", "", true},
		"internal/agenda":  {"internal/assess internal/draft internal/filter", core, "", true},
		"internal/entry":   {"fhir internal/chart internal/fault", codec, "", true},
		"internal/compose": {"internal/assess internal/chart internal/draft internal/filter internal/fault", codec + " crypto/sha1", "github.com/samply/ github.com/tidwall/ github.com/google/uuid", true},
		"internal/cards":   {"fhir internal/assess internal/draft internal/filter", codec, "", true},
		"internal/demo":    {"", codec + " io/fs", "", true},
		"internal/jobs":    {"", core, "", true},

		"fhir/rest":          {"fhir internal/fault", "any", "github.com/hashicorp/ github.com/tidwall/ github.com/lestrrat-go/jwx/v3/ github.com/google/uuid golang.org/x/oauth2 golang.org/x/sync", false},
		"internal/auth":      {"internal/fault", "any", "github.com/lestrrat-go/jwx/v3/ golang.org/x/sync", false},
		"api/route":          {"internal/auth", "any", "github.com/gin-gonic/", false},
		"api/signin":         {"api/route internal/auth internal/fault", "any", "github.com/gin-gonic/ github.com/coreos/go-oidc/ golang.org/x/oauth2", false},
		"api/cdshooks":       {"api/route fhir internal/assess internal/auth internal/cards internal/chart internal/draft internal/fault internal/filter internal/screen", "any", "github.com/gin-gonic/ github.com/google/uuid", false},
		"api/worklist":       {"api/route internal/agenda internal/assess internal/auth internal/desk internal/draft internal/entry internal/fault internal/filter internal/postgres internal/workup", "any", "github.com/gin-gonic/", false},
		"internal/desk":      {"fhir internal/agenda internal/assess internal/chart internal/compose internal/draft internal/entry internal/fault internal/filter internal/postgres internal/workup", "any", "github.com/tidwall/gjson", false},
		"api":                {". api/route api/signin api/worklist fhir internal/auth internal/fault internal/filter internal/screen", "any", "github.com/gin-gonic/ github.com/google/uuid github.com/prometheus/ golang.org/x/time/", false},
		"internal/workup":    {"internal/assess internal/draft internal/fault internal/filter internal/plan", "any", "codeberg.org/go-pdf/ codeberg.org/go-fonts/ golang.org/x/text/", false},
		"internal/writeback": {"fhir fhir/rest internal/compose internal/draft internal/fault", "any", "github.com/google/uuid github.com/tidwall/", false},
		"internal/feed":      {"fhir fhir/rest internal/fault internal/postgres internal/screen", "any", "", false},
		"internal/postgres":  {"fhir internal/agenda internal/draft internal/fault internal/filter internal/jobs internal/screen", "any", "github.com/jackc/pgx/ github.com/riverqueue/ github.com/google/uuid", false},
		"internal/worker":    {"internal/agenda internal/assess internal/chart internal/compose internal/draft internal/fault internal/feed internal/filter internal/jobs internal/policy internal/postgres internal/screen internal/writeback", "any", "github.com/jackc/pgx/ github.com/riverqueue/", false},
		"internal/pgembed":   {"", "any", "", false},
		"internal/sandbox":   {"", "any", "github.com/tidwall/", false},
		"migrations":         {"", "any", "github.com/jackc/pgx/ github.com/riverqueue/ github.com/pressly/goose/", false},
		"cmd/dwellwatch":     {"*", "any", "*", false},

		"internal/arch":     {"", core, "", true},
		"internal/dbtest":   {"internal/pgembed", "any", "github.com/jackc/pgx/", false},
		"internal/peertest": {"", "any", "github.com/santhosh-tekuri/", false},
	}
}

const module = "dwellwatch"

func root(t *testing.T) string {
	t.Helper()
	dir, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// packages parses every non-test Go file of the module, by folder.
func packages(t *testing.T) (map[string][]*ast.File, *token.FileSet) {
	t.Helper()
	top := root(t)
	set := token.NewFileSet()
	out := map[string][]*ast.File{}
	err := filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			name := d.Name()
			if path != top && (strings.HasPrefix(name, ".") || name == "testdata" || name == "tools" || name == "node_modules" || name == "bin") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		f, err := parser.ParseFile(set, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		folder, err := filepath.Rel(top, filepath.Dir(path))
		if err != nil {
			return err
		}
		out[folder] = append(out[folder], f)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out, set
}

func TestImports(t *testing.T) {
	t.Parallel()
	found, set := packages(t)
	table := layers()
	for folder := range table {
		if _, ok := found[folder]; !ok {
			t.Errorf("the table names %s, which is gone", folder)
		}
	}
	for folder, files := range found {
		l, ok := table[folder]
		if !ok {
			t.Errorf("%s is missing from the table", folder)
			continue
		}
		for _, f := range files {
			for _, fault := range importFaults(l, f) {
				t.Errorf("%s: %s", where(set, f.Pos(), root(t)), fault)
			}
			if l.pure {
				for pos, fault := range impurities(f) {
					t.Errorf("%s: %s", where(set, pos, root(t)), fault)
				}
			}
		}
	}
}

func where(set *token.FileSet, pos token.Pos, top string) string {
	p := set.Position(pos)
	name, err := filepath.Rel(top, p.Filename)
	if err != nil {
		name = p.Filename
	}
	return fmt.Sprintf("%s:%d", name, p.Line)
}

func importFaults(l layer, f *ast.File) []string {
	var out []string
	for _, i := range f.Imports {
		path, _ := strconv.Unquote(i.Path.Value)
		ours, isOurs := strings.CutPrefix(path, module+"/")
		if path == module {
			ours, isOurs = ".", true
		}
		first, _, _ := strings.Cut(path, "/")
		switch {
		case isOurs:
			if l.ours != "*" && !slices.Contains(strings.Fields(l.ours), ours) {
				out = append(out, "must not import "+ours)
			}
		case strings.Contains(first, "."):
			if l.third != "*" && !slices.ContainsFunc(strings.Fields(l.third), func(p string) bool { return strings.HasPrefix(path, p) }) {
				out = append(out, "must not import "+path)
			}
		case l.std != "any" && !slices.Contains(strings.Fields(l.std), path):
			out = append(out, "must not import "+path)
		}
		if l.pure && path == "time" && i.Name != nil {
			out = append(out, "must not rename time")
		}
	}
	return out
}

// impurities finds what a pure package has no use for.
func impurities(f *ast.File) map[token.Pos]string {
	out := map[token.Pos]string{}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && x.Obj == nil &&
				slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Local", "LoadLocation"}, n.Sel.Name) {
				out[n.Pos()] = "must not use time." + n.Sel.Name
			}
		case *ast.GoStmt:
			out[n.Pos()] = "must not start a goroutine"
		case *ast.FuncDecl:
			if n.Recv == nil && n.Name.Name == "init" {
				out[n.Pos()] = "must not have an init function"
			}
		}
		return true
	})
	for _, d := range f.Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.VAR {
			continue
		}
		for _, s := range g.Specs {
			if v, ok := s.(*ast.ValueSpec); ok && !constant(g, v) {
				out[v.Pos()] = "must not have the package variable " + v.Names[0].Name
			}
		}
	}
	return out
}

// constant reports a package variable that cannot be told from a constant: an error of its own, or a file built in. Anything
// else could be changed from any file of the package; a function that gives the value cannot.
func constant(g *ast.GenDecl, v *ast.ValueSpec) bool {
	for _, doc := range []*ast.CommentGroup{g.Doc, v.Doc} {
		if doc != nil && slices.ContainsFunc(doc.List, func(c *ast.Comment) bool { return strings.HasPrefix(c.Text, "//go:embed ") }) {
			return true
		}
	}
	return len(v.Values) > 0 && !slices.ContainsFunc(v.Values, func(e ast.Expr) bool {
		call, ok := e.(*ast.CallExpr)
		if !ok {
			return true
		}
		fun, ok := call.Fun.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		pkg, ok := fun.X.(*ast.Ident)
		return !ok || pkg.Name != "errors" || fun.Sel.Name != "New"
	})
}

// TestImpuritiesAreFound: the search finds what it forbids.
func TestImpuritiesAreFound(t *testing.T) {
	t.Parallel()
	const src = "package p\nimport (\"errors\"; \"time\")\nvar n int\nvar m = map[string]int{}\nvar errBad = errors.New(\"bad\")\nfunc init() {}\nfunc f() { go f(); _ = time.Now() }\n"
	f, err := parser.ParseFile(token.NewFileSet(), "p.go", src, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := impurities(f); len(got) != 5 {
		t.Errorf("found %d of 5 impurities: %v", len(got), got)
	}
	if got := importFaults(layer{"", "errors fmt", "", true}, f); len(got) != 1 {
		t.Errorf("found %d of 1 import faults: %v", len(got), got)
	}
}

func TestEveryPackageExplainsItself(t *testing.T) {
	t.Parallel()
	found, _ := packages(t)
	for folder, files := range found {
		if !slices.ContainsFunc(files, func(f *ast.File) bool { return f.Doc != nil && len(f.Doc.Text()) > 60 }) {
			t.Errorf("%s has no package comment", folder)
		}
	}
}

func TestFilesAreShort(t *testing.T) {
	t.Parallel()
	found, set := packages(t)
	for _, files := range found {
		for _, f := range files {
			if n := set.File(f.Pos()).LineCount(); n > 450 {
				t.Errorf("%s has %d lines: split it by noun", where(set, f.Pos(), root(t)), n)
			}
		}
	}
}

func TestRulesNameTheirSources(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, r := range rules.All() {
		if r.ID == "" || r.Title == "" || r.Source == "" || r.Known == "" || r.Check == nil {
			t.Errorf("rule %q lacks title, source, how it is known, or its check", r.ID)
		}
		if seen[r.ID] || seen[r.Title] {
			t.Errorf("rule %q or its title stands twice", r.ID)
		}
		seen[r.ID], seen[r.Title] = true, true
	}
}

func TestMigrationsAreNumberedWithoutGap(t *testing.T) {
	t.Parallel()
	list, err := os.ReadDir(filepath.Join(root(t), "migrations"))
	if err != nil {
		t.Fatal(err)
	}
	var numbers []int
	for _, e := range list {
		if m := regexp.MustCompile(`^(\d{5})_.*\.(sql|go)$`).FindStringSubmatch(e.Name()); m != nil {
			n, err := strconv.Atoi(m[1])
			if err != nil {
				t.Fatal(err)
			}
			numbers = append(numbers, n)
		}
	}
	slices.Sort(numbers)
	for i, n := range numbers {
		if n != i+1 {
			t.Fatalf("migrations are numbered %v", numbers)
		}
	}
	if len(numbers) == 0 {
		t.Fatal("no migration found")
	}
}
