package chart

import (
	"bytes"
	"encoding/base64"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"dwellwatch/internal/catalogue"
)

// evidenceSets are the value sets whose codes start following a patient.
func evidenceSets() []string {
	return []string{"filter-placement", "filter-removal", "filter-repositioning", "filter-device", filterSeen, filterNotSeen}
}

// Mentioner finds out of any bytes whether they seem to be about a vena cava filter. It is made once and does not change.
type Mentioner struct {
	codes    map[string]bool // of one word, in lower case
	patterns []pattern
	phrases  map[string]bool    // in lower case, a blank between words; false for one that only begins like that
	shapes   map[string][]shape // of the exact texts, by their first word
	exact    map[string][]exact // by their text in lower case
	devices  map[string]bool    // device identifiers as a catalogue writes them, in lower case
	longest  int                // bytes of the longest word that is looked for
}

// exact says where a text counts that must stand as it is written, but for the case of letters.
type exact struct {
	alone bool // it is all of what stands between quotation marks or tags
	named bool // the word before it is modelNumber
}

// shape is how far an exact text reaches before its first word, and how long it is, in bytes.
type shape struct{ lead, size int }

// NewMentioner makes what looks for the codes of the sets, the words for a filter, and the identifiers, numbers and names of a
// catalogue's models.
func NewMentioner(sets Sets, models catalogue.Catalogue) *Mentioner {
	m := &Mentioner{codes: map[string]bool{}, phrases: map[string]bool{}, shapes: map[string][]shape{}, exact: map[string][]exact{}, devices: map[string]bool{}, longest: maxPatternCode}
	for key, names := range sets.codes {
		if slices.ContainsFunc(names, func(n string) bool { return slices.Contains(evidenceSets(), n) }) {
			_, code, _ := strings.Cut(key, "|")
			m.add(code, exact{})
			m.add(strings.ReplaceAll(code, ".", ""), exact{}) // some leave the dot of ICD-10-CM out
		}
	}
	for _, patterns := range sets.patterns {
		for _, p := range patterns {
			if slices.Contains(evidenceSets(), p.name) {
				m.patterns = append(m.patterns, p)
			}
		}
	}
	for _, p := range filterPhrases() {
		m.phrase(tokens(p))
	}
	for _, model := range models.Models {
		m.model(model)
	}
	return m
}

// shortNumber is how long a model number must be to mean something wherever it stands.
const shortNumber = 3

func (m *Mentioner) model(model catalogue.Model) {
	for _, id := range model.Identifiers {
		m.add(id, exact{})
		m.devices[strings.ToLower(id)] = true
		m.longest = max(m.longest, maxLabel)
		// A trade item number of 8, 12 or 13 digits is written with zeros before it in a catalogue.
		for _, digits := range []int{8, 12, 13} {
			if short, zeros := strings.CutPrefix(id, strings.Repeat("0", max(len(id)-digits, 0))); zeros && len(id) == gtinDigits {
				m.add(short, exact{})
			}
		}
	}
	for _, number := range model.Numbers {
		m.add(number, exact{alone: true, named: len(number) < shortNumber})
	}
	for _, name := range append([]string{model.Name}, model.Names...) {
		if words := tokens(name); len(words) == 1 {
			m.add(strings.TrimSpace(name), exact{alone: true})
		} else {
			m.phrase(words)
		}
	}
}

func (m *Mentioner) phrase(words []string) {
	for n, word := range words {
		m.longest = max(m.longest, len(word))
		begun := strings.Join(words[:n+1], " ")
		m.phrases[begun] = m.phrases[begun] || n+1 == len(words)
	}
}

func (m *Mentioner) add(text string, e exact) {
	text = strings.ToLower(text)
	word, after := nextWord([]byte(text))
	if word == nil {
		return // nothing but signs could be found anywhere
	}
	m.longest = max(m.longest, len(word))
	if len(word) == len(text) && !e.alone {
		m.codes[text] = true
		return
	}
	if !slices.Contains(m.exact[text], e) {
		m.exact[text] = append(m.exact[text], e)
	}
	form := shape{lead: len(text) - len(after) - len(word), size: len(text)}
	if have := m.shapes[string(word)]; !slices.Contains(have, form) {
		m.shapes[string(word)] = append(have, form)
	}
}

// Mentions reports whether bytes that could not be read hold a code of a filter, one of the words for one, or what a model of the
// catalogue is known by, in whatever shape they are. It errs towards yes: words count also where they are negated. Beside the body it
// needs next to no memory, whatever the body's size: anybody may send any bytes.
func (m *Mentioner) Mentions(body []byte) bool {
	s := scan{m: m, body: body}
	return s.finds(true)
}

// scan is one look through bytes.
type scan struct {
	m     *Mentioner
	body  []byte
	lower []byte
	text  []byte
	label [maxLabel]byte
	named bool // the word before is modelNumber
}

func (s *scan) finds(labels bool) bool {
	for rest := s.body; ; {
		word, after := nextWord(rest)
		if word == nil {
			return false
		}
		if s.begins(word, after) || labels && s.scanned(word) {
			return true
		}
		rest = after
	}
}

// A pattern is tried only on what can be a code at all.
const (
	minPatternCode = 5
	maxPatternCode = 18
)

// begins reports whether a word is a code, or the first of something that goes on in what comes after it.
func (s *scan) begins(word, after []byte) bool {
	named := s.named
	s.named = false
	// A letter may take fewer bytes in lower case, never a quarter.
	if len(word) > 4*s.m.longest {
		return false
	}
	s.lower = appendLower(s.lower[:0], word)
	s.named = string(s.lower) == "modelnumber"
	if s.m.codes[string(s.lower)] || s.labelled() {
		return true
	}
	if n := len(s.lower); len(s.m.patterns) > 0 && n >= minPatternCode && n <= maxPatternCode {
		upper := bytes.ToUpper(s.lower) // codes are of letters in capitals
		if slices.ContainsFunc(s.m.patterns, func(p pattern) bool { return p.expr.Match(upper) }) {
			return true
		}
	}
	for _, form := range s.m.shapes[string(s.lower)] {
		if s.stands(form, len(s.body)-len(after)-len(word), named) {
			return true
		}
	}
	return s.goesOn(after)
}

// stands reports whether an exact text of a form stands around the word at at.
func (s *scan) stands(form shape, at int, named bool) bool {
	from := at - form.lead
	to := from + form.size
	if from < 0 || to > len(s.body) {
		return false
	}
	s.text = appendLower(s.text[:0], s.body[from:to])
	for _, e := range s.m.exact[string(s.text)] {
		if (named || !e.named) && e.bounded(s.body[:from], s.body[to:]) {
			return true
		}
	}
	return false
}

// bounded reports whether a text between these two ends where it should.
func (e exact) bounded(before, after []byte) bool {
	if !e.alone {
		r, _ := utf8.DecodeLastRune(before)
		next, _ := utf8.DecodeRune(after)
		return !wordRune(r) && !wordRune(next)
	}
	before, after = bytes.TrimRight(before, " "), bytes.TrimLeft(after, " ")
	return (len(before) == 0 || strings.IndexByte(`"'>`, before[len(before)-1]) >= 0) && (len(after) == 0 || strings.IndexByte(`"'<`, after[0]) >= 0)
}

// goesOn reports whether the word in s.lower, with those that come after it, is a phrase.
func (s *scan) goesOn(rest []byte) bool {
	s.text = append(s.text[:0], s.lower...)
	for {
		whole, begun := s.m.phrases[string(s.text)]
		if whole || !begun {
			return whole
		}
		var word []byte
		if word, rest = nextWord(rest); word == nil || len(word) > 4*s.m.longest {
			return false
		}
		s.text = appendLower(append(s.text, ' '), word)
	}
}

// What labels hold.
const (
	gtinDigits = 14
	// maxLabel is more than a label's text takes, in bytes; base64 takes a third more.
	maxLabel = 120
)

// labelled reports whether the word in s.lower is the text of a label with a known device identifier: GS1 writes 01 before it and other
// elements behind it, HIBC ends with a check character.
func (s *scan) labelled() bool {
	n := len(s.lower)
	if len(s.m.devices) == 0 || n < 2 || n > maxLabel {
		return false
	}
	if s.lower[0] >= 'a' && s.m.devices[string(s.lower[:n-1])] {
		return true
	}
	for at := 0; at+2+gtinDigits <= n; at++ {
		if s.lower[at] == '0' && s.lower[at+1] == '1' && s.m.devices[string(s.lower[at+2:at+2+gtinDigits])] {
			return true
		}
	}
	return false
}

// scanned reports whether a word is the base64 of a label with a known device identifier. Such a text has letters and digits only,
// and its first letter tells that it begins with a digit, a bracket or a sign, as labels do.
func (s *scan) scanned(word []byte) bool {
	if len(s.m.devices) == 0 || len(word) < gtinDigits/2 || len(word) > maxLabel*4/3 || strings.IndexByte("JKMPWXe", word[0]) < 0 {
		return false
	}
	n, err := base64.RawStdEncoding.Decode(s.label[:], word)
	if err != nil {
		return false
	}
	body, named := s.body, s.named
	s.body = s.label[:n]
	found := s.finds(false)
	s.body, s.named = body, named
	return found
}

// nextWord cuts the first run of letters and digits off a text, as tokens does; nil where there is none.
func nextWord(text []byte) (word, after []byte) {
	from := 0
	for size := 0; from < len(text) && !wordAt(text[from:], &size); from += size {
	}
	if from == len(text) {
		return nil, nil
	}
	to := from
	for size := 0; to < len(text) && wordAt(text[to:], &size); to += size {
	}
	return text[from:to], text[to:]
}

// wordAt reports whether a text begins with a letter or a digit, and tells the bytes of what it begins with.
func wordAt(text []byte, size *int) bool {
	c := text[0]
	if c < utf8.RuneSelf {
		*size = 1
		return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
	}
	r, n := utf8.DecodeRune(text)
	*size = n
	return wordRune(r)
}

func wordRune(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }

func appendLower(to, word []byte) []byte {
	for len(word) > 0 {
		c := word[0]
		if c < utf8.RuneSelf {
			if c >= 'A' && c <= 'Z' {
				c += 'a' - 'A'
			}
			to, word = append(to, c), word[1:]
			continue
		}
		r, size := utf8.DecodeRune(word)
		to, word = utf8.AppendRune(to, unicode.ToLower(r)), word[size:]
	}
	return to
}
