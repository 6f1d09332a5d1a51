package fhir

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"
)

func TestUnescaped(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		`plain "text"`:          `plain "text"`,
		`IVC\u00a0filter`:       "IVC\u00a0filter",
		`\u0049VC\u0020filter`:  "IVC filter",
		`Patient\/n1`:           "Patient/n1",
		`a\tb\nc`:               "a b c",
		`39791300\u0039`:        "397913009",
		`cut \u00`:              `cut \u00`,
		`no hex \uzzzz`:         `no hex \uzzzz`,
		`half \ud83d pair`:      "half \uFFFD pair",
		`no escape \q`:          `no escape \q`,
		`at the end \`:          `at the end \`,
		`a backslash \\u0041 b`: `a backslash \u0041 b`,
	} {
		if got := string(Unescaped([]byte(in))); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

// TestUnescapedAsTheStandardLibraryReads compares with encoding/json where both have something to say: the text of a JSON string
// without controls and characters beyond the basic plane, which stand as pairs.
func TestUnescapedAsTheStandardLibraryReads(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[ -~\x{a0}-\x{d7ff}]*`).Draw(t, "text")
		body, err := json.Marshal(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := Unescaped(body[1 : len(body)-1]); string(got) != text {
			t.Fatalf("%s: got %q, want %q", body, got, text)
		}
	})
}
