package chart

import (
	"bytes"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// evidenceSets are the value sets whose codes start following a patient.
func evidenceSets() []string {
	return []string{"filter-placement", "filter-removal", "filter-repositioning"}
}

// Mentions reports whether bytes that could not be read hold a code of a filter or one of the words for one, in whatever
// shape they are. It errs towards yes: words count also where they are negated. Beside the body it needs next to no memory,
// whatever the body's size: anybody may send any bytes.
func (s Sets) Mentions(body []byte) bool {
	m := s.mentioner()
	for rest := body; ; {
		word, after := nextWord(rest)
		if word == nil {
			return false
		}
		if m.begins(word, after) {
			return true
		}
		rest = after
	}
}

// mentioner is what Mentions looks for.
type mentioner struct {
	codes    map[string]bool
	patterns []*regexp.Regexp
	phrases  map[string][][]string // by their first word
	longest  int                   // bytes of the longest code or first word
	lower    []byte
}

func (s Sets) mentioner() *mentioner {
	m := &mentioner{codes: map[string]bool{}, phrases: map[string][][]string{}, longest: maxPatternCode}
	for key, names := range s.codes {
		if slices.ContainsFunc(names, func(n string) bool { return slices.Contains(evidenceSets(), n) }) {
			_, code, _ := strings.Cut(key, "|")
			m.codes[strings.ToLower(code)] = true
			m.longest = max(m.longest, len(code))
		}
	}
	for _, patterns := range s.patterns {
		for _, p := range patterns {
			if slices.Contains(evidenceSets(), p.name) {
				m.patterns = append(m.patterns, p.expr)
			}
		}
	}
	for _, p := range filterPhrases() {
		words := tokens(p)
		m.phrases[words[0]] = append(m.phrases[words[0]], words)
		m.longest = max(m.longest, len(words[0]))
	}
	return m
}

// A pattern is tried only on what can be a code at all.
const (
	minPatternCode = 5
	maxPatternCode = 18
)

// begins reports whether a word is a code, or the first of a phrase that goes on in what comes after it.
func (m *mentioner) begins(word, after []byte) bool {
	// A letter may take fewer bytes in lower case, never a quarter.
	if len(word) > 4*m.longest {
		return false
	}
	m.lower = appendLower(m.lower[:0], word)
	if m.codes[string(m.lower)] {
		return true
	}
	if n := len(m.lower); len(m.patterns) > 0 && n >= minPatternCode && n <= maxPatternCode {
		upper := bytes.ToUpper(m.lower) // codes are of letters in capitals
		if slices.ContainsFunc(m.patterns, func(e *regexp.Regexp) bool { return e.Match(upper) }) {
			return true
		}
	}
	return slices.ContainsFunc(m.phrases[string(m.lower)], func(phrase []string) bool { return m.goesOn(phrase[1:], after) })
}

func (m *mentioner) goesOn(words []string, rest []byte) bool {
	for _, want := range words {
		var word []byte
		if word, rest = nextWord(rest); len(word) > 4*len(want) {
			return false
		}
		if m.lower = appendLower(m.lower[:0], word); string(m.lower) != want {
			return false
		}
	}
	return true
}

// nextWord cuts the first run of letters and digits off a text, as tokens does; nil where there is none.
func nextWord(text []byte) (word, after []byte) {
	from := bytes.IndexFunc(text, wordRune)
	if from < 0 {
		return nil, nil
	}
	text = text[from:]
	to := bytes.IndexFunc(text, func(r rune) bool { return !wordRune(r) })
	if to < 0 {
		to = len(text)
	}
	return text[:to], text[to:]
}

func wordRune(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }

func appendLower(to, word []byte) []byte {
	for len(word) > 0 {
		r, size := utf8.DecodeRune(word)
		to, word = utf8.AppendRune(to, unicode.ToLower(r)), word[size:]
	}
	return to
}
