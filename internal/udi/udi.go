// Package udi reads the unique device identifier (UDI) that stands on a label, as text for people or as the bytes a scanner
// gives: GS1 in full, HIBCC and ICCBBA as far as the device identifier. It must never drop what it cannot read, nor judge a
// device by it: a wrong check character, an impossible date or an unknown grammar is a flag beside what was read.
//
// Grammars: GS1 General Specifications (application identifiers, check digit, dates); ANSI/HIBC 2.6 (supplier labelling,
// mod 43); ICCBBA ST-017 for the device identifiers; the FDA's "UDI formats by FDA-accredited issuing agency".
package udi

import (
	"strings"
	"time"
)

// Agency is who gave the identifier out.
type Agency string

// The agencies that the FDA and the European Commission have accredited and that this package reads.
const (
	GS1     Agency = "GS1"
	HIBCC   Agency = "HIBCC"
	ICCBBA  Agency = "ICCBBA"
	Unknown Agency = ""
)

// Flag is a fault of the text that does not keep it from being read.
type Flag string

// The faults.
const (
	BadCheck   Flag = "check"      // the check digit or character does not fit
	BadDate    Flag = "date"       // a date that the calendar does not know
	BadLength  Flag = "length"     // a part is shorter or longer than its grammar has it
	Unreadable Flag = "unreadable" // the rest of the text fits no grammar
)

// Identifier is what one carrier says.
type Identifier struct {
	Agency Agency
	// Device is the device identifier (UDI-DI): for GS1 14 digits, padded with zeros on the left; for the others the
	// characters without flag, link and check characters. "" where none was found.
	Device string
	Lot    string
	Serial string
	// Expires and Made are calendar days as YYYY-MM-DD, "" where not told or impossible.
	Expires, Made string
	Flags         []Flag // in order of discovery, each once
}

func (i *Identifier) flag(f Flag) {
	for _, have := range i.Flags {
		if have == f {
			return
		}
	}
	i.Flags = append(i.Flags, f)
}

// Parse reads a carrier's text: what is printed (HRF) or what a scanner gives (AIDC, with or without symbology identifier).
// The year of the label's two-digit years is taken from the fifty years around year. A text that is only a device
// identifier is read as one. The grammar is told by the text itself, never by who is said to have issued it.
func Parse(text string, year int) Identifier {
	s := strings.Trim(text, " \t\r\n")
	s = strings.ReplaceAll(s, `\T\`, "&") // HL7 v2 writes & so (chapter 2, escape sequences)
	if len(s) > 2 && s[0] == '*' && s[len(s)-1] == '*' {
		s = s[1 : len(s)-1] // HIBC: the stars of the printed line are no part of it
	}
	if len(s) > 3 && s[0] == ']' && letter(s[1]) && digits(s[2:3]) {
		s = s[3:] // symbology identifier of ISO/IEC 15424
	}
	switch {
	case s == "":
		return Identifier{Flags: []Flag{Unreadable}}
	case strings.ContainsFunc(s, func(c rune) bool { return c > 0x7e }):
		return Identifier{Device: plain(s), Flags: []Flag{Unreadable}} // every agency's characters are ASCII
	case strings.HasPrefix(s, "+"):
		return parseHIBC(s, year)
	case strings.HasPrefix(s, "=") || strings.HasPrefix(s, "&"):
		return parseICCBBA(s)
	case s[0] == '(' || s[0] == '{' || s[0] == '[':
		return parseBracketed(s, year)
	case digits(s):
		return parseDigits(s, year)
	case digits(s[:min(2, len(s))]):
		return parseElements(s, year)
	}
	return Identifier{Device: plain(s), Flags: []Flag{Unreadable}}
}

// plain keeps a text that no grammar explains: it still tells one device from another.
func plain(s string) string {
	return strings.ToUpper(strings.Join(strings.Fields(s), ""))
}

func letter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }

// digits reports whether a text has digits only, and some.
func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// fullYear gives the century to a two-digit year: within 49 years before and 50 years after the given one (GS1 General
// Specifications, "Determination of century in dates").
func fullYear(two, year int) int {
	full := year - year%100 + two
	switch diff := two - year%100; {
	case diff >= 51:
		full -= 100
	case diff <= -50:
		full += 100
	}
	return full
}

// calendarDay writes a day, or "" and false where the calendar has none. Day 0 is the month's last where zero is allowed.
func calendarDay(year, month, day int, lastIfZero bool) (string, bool) {
	if month < 1 || month > 12 {
		return "", false
	}
	if day == 0 && lastIfZero {
		return time.Date(year, time.Month(month+1), 0, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), true
	}
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if t.Day() != day || day < 1 {
		return "", false
	}
	return t.Format(time.DateOnly), true
}

// number reads digits; the caller has seen that they are.
func number(s string) int {
	n := 0
	for _, c := range s {
		n = n*10 + int(c-'0')
	}
	return n
}
