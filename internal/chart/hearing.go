package chart

import (
	"strings"
	"unicode"
)

// tokens splits a text into lower-case words.
func tokens(s string) []string {
	s = strings.ToLower(s)
	var out []string
	from := -1
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= 0x80:
			return strings.FieldsFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
		case c >= 'a' && c <= 'z' || isDigit(c):
			if from < 0 {
				from = i
			}
		case from >= 0:
			out = append(grown(out, len(s)), s[from:i])
			from = -1
		}
	}
	if from >= 0 {
		out = append(grown(out, len(s)), s[from:])
	}
	return out
}

// grown gives a list of words its first room, by what words usually take of a text of that length.
func grown(words []string, length int) []string {
	if words == nil {
		return make([]string, 0, length/6+1)
	}
	return words
}

// begins reports whether words begin with those of a phrase, which is in lower case.
func begins(words []string, phrase string) bool {
	for at := 0; at < len(phrase); {
		if !inWord(phrase[at]) {
			at++
			continue
		}
		to := at
		for to < len(phrase) && inWord(phrase[to]) {
			to++
		}
		if len(words) == 0 || words[0] != phrase[at:to] {
			return false
		}
		words, at = words[1:], to
	}
	return true
}

func inWord(c byte) bool { return c >= 'a' && c <= 'z' || isDigit(c) || c >= 0x80 }

// negates reports a word that denies what follows it.
func negates(w string) bool {
	switch w {
	case "no", "not", "without", "never", "denies", "denied", "negative", "nor", "consider", "considered", "declined", "refused", "candidate", "versus", "vs", "cancelled", "canceled":
		return true
	}
	return false
}

// mayHold reports whether a text can hold one of the parts, which begin with a letter and are in lower case: most texts are about
// something else, and need not be taken apart. Beyond ASCII it does not judge, as letters there can become others in lower case.
func mayHold(text string, parts ...string) bool {
	var firsts uint32
	for _, p := range parts {
		firsts |= 1 << (p[0] - 'a')
	}
	for i := range len(text) {
		c := text[i]
		if c >= 0x80 {
			return true
		}
		if c |= 0x20; c < 'a' || c > 'z' || firsts>>(c-'a')&1 == 0 {
			continue
		}
		for _, p := range parts {
			if holdsAt(text[i:], p) {
				return true
			}
		}
	}
	return false
}

// mayBegin reports whether a word of a text can be the first of one of the phrases, as mayHold does for parts.
func mayBegin(text string, phrases []string) bool {
	var firsts uint64
	for _, p := range phrases {
		firsts |= 1 << (p[0] & 0x3f) // a digit shares the bit of a letter
	}
	before := false // a word goes on
	for i := range len(text) {
		c := text[i]
		if c >= 0x80 {
			return true
		}
		if c >= 'A' && c <= 'Z' {
			c |= 0x20
		}
		begins := inWord(c) && !before
		before = inWord(c)
		if !begins || firsts>>(c&0x3f)&1 == 0 {
			continue
		}
		for _, p := range phrases {
			if holdsAt(text[i:], firstWord(p)) {
				return true
			}
		}
	}
	return false
}

// firstWord gives the first word of a phrase, which begins with it.
func firstWord(phrase string) string {
	for at := range len(phrase) {
		if !inWord(phrase[at]) {
			return phrase[:at]
		}
	}
	return phrase
}

func holdsAt(text, part string) bool {
	if len(text) < len(part) {
		return false
	}
	for i := range len(part) {
		c := text[i]
		if c >= 'A' && c <= 'Z' {
			c |= 0x20
		}
		if c != part[i] {
			return false
		}
	}
	return true
}
