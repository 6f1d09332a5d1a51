package chart

import (
	"slices"
	"strings"
	"unicode"
)

// passage is a text as lower-case words, with what stands before each.
type passage struct {
	words []string
	stops []stop
}

// stop is what parts a word from the one before it.
type stop int

const (
	joins  stop = iota
	labels      // a colon
	pauses      // a comma, a bracket, a dash
	ends        // of a sentence; the first word has it, too
)

// read splits a text as tokens does and keeps its stops. A dot within a number, in "p.r.n." or after "vs" ends nothing.
func read(text string) passage {
	text = strings.ToLower(text)
	p := passage{words: make([]string, 0, len(text)/6+1), stops: make([]stop, 0, len(text)/6+1)}
	from, end := -1, 0 // where the word in hand begins, and where the last one ended
	for at, r := range text {
		switch in := wordRune(r); {
		case in && from < 0:
			before := ends
			if len(p.words) > 0 {
				before = stopIn(text[end:at], p.words[len(p.words)-1], r)
			}
			from, p.stops = at, append(p.stops, before)
		case !in && from >= 0:
			p.words = append(p.words, text[from:at])
			from, end = -1, at
		}
	}
	if from >= 0 {
		p.words = append(p.words, text[from:])
	}
	return p
}

func stopIn(between, word string, next rune) stop {
	if between == " " {
		return joins
	}
	out := joins
	for _, r := range between {
		switch r {
		case ';', '!', '?', '\n', '\r':
			return ends
		case '.':
			within := between == "." && (len(word) == 1 || unicode.IsDigit(next) && unicode.IsDigit(rune(word[len(word)-1])))
			if !within && word != "vs" {
				return ends
			}
		case ',', '(', ')', '[', ']', '–', '—':
			out = max(out, pauses)
		case '-':
			if strings.HasPrefix(between, " ") {
				out = max(out, pauses)
			}
		case ':':
			out = max(out, labels)
		}
	}
	return out
}

// reach is how far a negation goes over commas. None goes beyond its sentence, or over a "but".
type reach int

const (
	// overLists: "no pain, bleeding or swelling" denies all three, "no fever, flank pain since Monday" denies the fever only.
	overLists reach = iota
	// overOr: only "or" carries it on. What was left behind is not to be lost in "no complications, retained strut".
	overOr
	// overNothing: a comma ends it, as in "no complication, unsuccessful".
	overNothing
)

// says reports whether text holds one of the phrases, word by word within a sentence, and not negated within the three words
// before it.
func says(text string, phrases ...string) bool {
	return mayBegin(text, phrases) && read(text).says(overLists, phrases...)
}

func (p passage) says(over reach, phrases ...string) bool {
	if len(p.words) == 0 {
		return false
	}
	for _, phrase := range phrases {
		// Phrases are in lower case: one whose first word is nowhere need not be taken apart.
		head, _, _ := strings.Cut(phrase, " ")
		head, _, _ = strings.Cut(head, "-")
		if !slices.Contains(p.words, strings.TrimSuffix(head, ",")) {
			continue
		}
		for i := range p.words {
			if length := p.holds(i, phrase); length > 0 && !p.denied(i, length, over) {
				return true
			}
		}
	}
	return false
}

// holds gives the number of words of a phrase that stands at a word, within one sentence; 0 where it does not.
func (p passage) holds(at int, phrase string) int {
	length := 0
	for w := range strings.FieldsFuncSeq(phrase, func(r rune) bool { return !wordRune(r) }) {
		if at+length >= len(p.words) || p.words[at+length] != w || length > 0 && p.stops[at+length] == ends {
			return 0
		}
		length++
	}
	return length
}

// denied reports a negation within three words before a phrase; words like "evidence of the" and the "or" of a list do not count.
func (p passage) denied(at, length int, over reach) bool {
	crossed := false
	for i, left := at, 3; left > 0 && p.stops[i] != ends; i-- {
		crossed = crossed || p.stops[i] != joins
		switch w := p.words[i-1]; {
		case slices.Contains([]string{"but", "however", "although", "though", "except", "whereas", "yet"}, w):
			return false
		case negates(w):
			return !crossed || p.carries(i, at, at+length, over)
		case !slices.Contains([]string{"evidence", "of", "a", "an", "the", "any", "sign", "signs", "or", "nor"}, w):
			left--
		}
	}
	return false
}

// carries reports whether a negation before the word from goes over a comma to the phrase between at and end.
func (p passage) carries(from, at, end int, over reach) bool {
	if over == overNothing {
		return false
	}
	or := func(w string) bool { return w == "or" || w == "nor" }
	if slices.ContainsFunc(p.words[from:at], or) || end < len(p.words) && p.stops[end] != ends && or(p.words[end]) {
		return true
	}
	if over == overOr {
		return false
	}
	// A list's bare item: nothing but the phrase between two commas.
	begins := p.stops[at] != joins || p.words[at-1] == "and"
	closes := end == len(p.words) || p.stops[end] >= pauses || p.stops[end] == joins && p.words[end] == "and"
	return begins && closes
}
