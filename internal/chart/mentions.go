package chart

import (
	"regexp"
	"slices"
	"strings"
)

// evidenceSets are the value sets whose codes start following a patient.
func evidenceSets() []string {
	return []string{"filter-placement", "filter-removal", "filter-repositioning"}
}

// Mentions reports whether bytes that could not be read hold a code of a filter or one of the words for one, in whatever
// shape they are. It errs towards yes: words count also where they are negated.
func (s Sets) Mentions(body []byte) bool {
	codes := map[string]bool{}
	for key, names := range s.codes {
		if slices.ContainsFunc(names, func(n string) bool { return slices.Contains(evidenceSets(), n) }) {
			_, code, _ := strings.Cut(key, "|")
			codes[strings.ToLower(code)] = true
		}
	}
	var patterns []*regexp.Regexp
	for _, p := range s.patterns {
		if slices.Contains(evidenceSets(), p.name) {
			patterns = append(patterns, p.expr)
		}
	}
	var phrases [][]string
	for _, p := range filterPhrases() {
		phrases = append(phrases, tokens(p))
	}
	words := tokens(string(body))
	for n, w := range words {
		if codes[w] {
			return true
		}
		// Codes are of letters in capitals; a pattern is tried only on what can be a code at all.
		if len(w) >= 5 && len(w) <= 18 && slices.ContainsFunc(patterns, func(e *regexp.Regexp) bool { return e.MatchString(strings.ToUpper(w)) }) {
			return true
		}
		for _, p := range phrases {
			if w == p[0] && n+len(p) <= len(words) && slices.Equal(words[n:n+len(p)], p) {
				return true
			}
		}
	}
	return false
}
