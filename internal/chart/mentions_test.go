package chart

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dwellwatch/internal/catalogue"
)

// TestMentionsReadsWordsAsTokensDoes: whatever the bytes, the words that are looked at are those of the rest of the package.
func TestMentionsReadsWordsAsTokensDoes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		pieces := rapid.SliceOf(rapid.OneOf(rapid.SampledFrom([]string{"IVC", "filter", " ", "-", "\xff", "É", "37191", "\u0130", "x_y"}), rapid.String())).Draw(t, "pieces")
		text := strings.Join(pieces, "")
		var got []string
		for rest := []byte(text); ; {
			word, after := nextWord(rest)
			if word == nil {
				break
			}
			got, rest = append(got, string(appendLower(nil, word))), after
		}
		if want := tokens(text); !slices.Equal(got, want) {
			t.Fatalf("%q: %q, want %q", text, got, want)
		}
	})
}

// TestMentionsNeedsLittleMemory: a body that anybody may send must not be multiplied. It is not parallel, because what it
// measures is the memory of the whole process.
//
//nolint:paralleltest // see above
func TestMentionsNeedsLittleMemory(t *testing.T) {
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	m := NewMentioner(sets, catalogue.Catalogue{Models: []catalogue.Model{{Name: "Alder cone", Identifiers: []string{"00812345678905"}, Numbers: []string{"words"}}}})
	body := bytes.Repeat([]byte("a ivc filtre of 12345 words "), 50_000)
	if got := testing.Benchmark(func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if m.Mentions(body) {
				b.Fatal("there is no filter in it")
			}
		}
	}).AllocedBytesPerOp(); got > int64(len(body)/10) {
		t.Errorf("%d bytes for a body of %d", got, len(body))
	}
}

// TestLookalike: a listed code is known by itself only where its system is missing or one that nobody knows.
func TestLookalike(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		system, code string
		want         bool
	}{
		{"", "37191", true}, {"http://hospital.example/codes", " 37191-53 ", true}, {"CPT", "37193", true}, {"", "06H03DZ", true},
		{"http://www.ama-assn.org/go/cpt", "37191", false}, {"http://snomed.info/sct/", "37191", false}, {"", "99999", false}, {"", "", false},
	} {
		if got := sets.Lookalike(c.system, c.code); got != c.want {
			t.Errorf("%q %q: %t, want %t", c.system, c.code, got, c.want)
		}
	}
	for _, system := range []string{"http://www.ama-assn.org/go/cpt", " http://www.ama-assn.org/go/cpt ", "http://www.ama-assn.org/go/cpt/"} {
		if got := sets.names(system, " 37191\n"); !slices.Contains(got, "filter-placement") {
			t.Errorf("%q with blanks around its code is in %v", system, got)
		}
	}
}

// TestMentions: what could not be read is kept aside where it is about a filter, whatever code tells it.
func TestMentions(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	m := NewMentioner(sets, catalogue.Catalogue{})
	for text, want := range map[string]bool{
		`{"code":{"coding":[{"code":"37191"`:       true,
		`{"code":{"coding":[{"code":"37192"}]}}`:   true,
		`{"code":[{"coding":{"code":"06H03DZ"}}]`:  true,
		`{"code":[{"coding":{"code":"06H00DZ"}}]`:  true,
		`{"code":[{"coding":{"code":"06H04DZ"}}]`:  true,
		`{"code":[{"coding":{"code":"233439000"}}`: true,
		`<type>Inferior VENA-CAVA  filter</type>`:  true,
		`no IVC filter seen`:                       true, // it errs towards yes
		`{"code":"371910","id":"x37191y"}`:         false,
		`{"text":"water filter of the cavalry"}`:   false,
		"\xff\xfe":                                 false,
		``:                                         false,
	} {
		if got := m.Mentions([]byte(text)); got != want {
			t.Errorf("%q: %t, want %t", text, got, want)
		}
	}
}
