package fhir

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// FuzzIndex holds reading through once against the checker that looks for faults: a document is clean exactly where the checker finds
// nothing, and none exactly where it is not JSON; and what is clean reads as encoding/json reads it.
func FuzzIndex(f *testing.F) {
	for _, seed := range []string{
		"", " ", "{}", "[]", "1", `{"a":1,"a":2}`, `{"a":1,"\u0061":2}`, `{"a":{"b":[1,-0.5e3,true,false,null,"é\n"]},"":""}`, `{"a":tru}`, `{"a":01}`, `{"a":1.}`, `{"a" 1}`, `{"a":1,}`, `[1,]`, `[1 2]`, `{} x`,
		"{\"a\":\"\xff\"}", "{\"\xff\":1,\"\xfe\":2}", `{"a":"\ud800"}`, `{"a":"\u0000"}`, "\"a\nb\"", `"a`, `{"a":"b`, strings.Repeat("[", 64) + strings.Repeat("]", 64), strings.Repeat("[", 65) + "x" + strings.Repeat("]", 65), strings.Repeat("[", 70),
		large(40, -1), large(40, 7), large(31, 30), large(200, 150),
	} {
		f.Add([]byte(seed))
	}
	corpus, err := filepath.Glob("testdata/fuzz/FuzzDecode/*")
	if err != nil || len(corpus) == 0 {
		f.Fatal("no corpus", err)
	}
	for _, path := range corpus {
		body, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		_, quoted, _ := strings.Cut(string(body), "[]byte(")
		seed, err := strconv.Unquote(strings.TrimSuffix(strings.TrimSpace(quoted), ")"))
		if err != nil {
			f.Fatal(path, err)
		}
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		doc, found := index(body), scan(body)
		if len(found) == maxIssues {
			return // the checker may have stopped counting before it came to what is no JSON
		}
		broken := slices.ContainsFunc(found, func(i Issue) bool { return i.Severity == "fatal" && i.Text != tooDeep })
		if (doc == nil) != broken || doc != nil && doc.clean != (len(found) == 0) {
			t.Fatalf("%q: the checker finds %v, the index is %+v", body, found, doc)
		}
		if doc == nil || !doc.clean {
			return
		}
		decoder := json.NewDecoder(strings.NewReader(string(body)))
		decoder.UseNumber()
		var want any
		if err := decoder.Decode(&want); err != nil {
			t.Fatalf("%q is clean, but encoding/json: %v", body, err)
		}
		// cmp.Diff takes for ever on lists in lists in lists.
		if got := built(Value{in: doc}); !reflect.DeepEqual(want, got) {
			t.Fatalf("%q is %v to encoding/json and %v to the index", body, want, got)
		}
	})
}

// large writes an object of n members, the last of which is named as another is; -1 for none.
func large(n, twice int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(`"member` + strconv.Itoa(i) + `":` + strconv.Itoa(i) + `,`)
	}
	if twice < 0 {
		return `{` + b.String() + `"last":0}`
	}
	return `{` + b.String() + `"member` + strconv.Itoa(twice) + `":0}`
}

// built gives a value as encoding/json builds it.
func built(v Value) any {
	switch v.Kind() {
	case '{':
		out := map[string]any{}
		for name, m := range v.Members() {
			out[name] = built(m)
		}
		return out
	case '[':
		out := []any{}
		for e := range v.Each() {
			out = append(out, built(e))
		}
		return out
	case '"':
		text, _ := v.Text()
		return text
	case '0':
		return json.Number(v.Raw())
	case 'n':
		return nil
	}
	return v.Bool()
}

// TestValuesAreReachedAndReadLoosely: paths go through objects and lists; numbers and booleans in quotes are read as what they say.
func TestValuesAreReachedAndReadLoosely(t *testing.T) {
	t.Parallel()
	doc := valueOf([]byte(`{"a":[{"b":{"c":"x"}},{"b":"y\u0021"}],"n":-12,"f":1.50,"q":"2.5","t":true,"s":"TRUE","z":null,"e":{},"d":"1","no":"maybe"}`))
	for path, want := range map[string]string{
		"a.0.b.c": "x", "a.1.b": "y!", "a.2.b": "", "a.b": "", "a.-1": "", "n": "-12", "f": "1.5", "q": "2.5", "t": "true", "z": "", "e": "{}", "missing": "", "n.x": "",
	} {
		if got := doc.Get(path).String(); got != want {
			t.Errorf("%s is %q, want %q", path, got, want)
		}
	}
	for path, want := range map[string]float64{"n": -12, "f": 1.5, "q": 2.5, "t": 1, "z": 0, "no": 0, "a": 0, "missing": 0} {
		if got := doc.Get(path).Float(); got != want {
			t.Errorf("%s is %v, want %v", path, got, want)
		}
	}
	for path, want := range map[string]bool{"t": true, "s": true, "d": true, "n": true, "no": false, "z": false, "a": false, "missing": false} {
		if got := doc.Get(path).Bool(); got != want {
			t.Errorf("%s is %v, want %v", path, got, want)
		}
	}
	for path, want := range map[string]int{"a": 2, "a.0": 1, "n": 1, "z": 0, "e": 1, "missing": 0} {
		if got := doc.Get(path).Len(); got != want {
			t.Errorf("%s has %d elements, want %d", path, got, want)
		}
	}
	if !doc.Get("z").Exists() || doc.Get("missing").Exists() {
		t.Error("null is there, what is missing is not")
	}
	var all []string
	for name := range doc.Get("a").All() {
		all = append(all, name)
	}
	if diff := cmp.Diff([]string{"b", "c", "b"}, all); diff != "" {
		t.Errorf("all members (-want +got):\n%s", diff)
	}
}

// TestDocumentFollowsRaw: a resource whose bytes were changed since it was read is read anew.
func TestDocumentFollowsRaw(t *testing.T) {
	t.Parallel()
	r, err := Decode([]byte(`{"resourceType":"Patient","id":"a"}`))
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Document().Get("id").String(); got != "a" {
		t.Errorf("the id is %q", got)
	}
	r.Raw = []byte(`{"resourceType":"Patient","id":"b"}`)
	if got := r.Document().Get("id").String(); got != "b" {
		t.Errorf("the id is %q after the change", got)
	}
	if (Resource{}).Document().Exists() || (Resource{Raw: []byte("{")}).Document().Exists() {
		t.Error("what is no JSON has no document")
	}
}
