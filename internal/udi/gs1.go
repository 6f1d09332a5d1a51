package udi

import "strings"

// separator ends an element of variable length in scanned data (FNC1, sent as ASCII group separator).
const separator = "\x1d"

// fixedLength gives the length of the data behind an application identifier by its first two digits; these elements need no
// separator (GS1 General Specifications, "Element strings with predefined length"). The identifier's own length is beside it.
func fixedLength(two string) (identifier, data int, ok bool) {
	switch two {
	case "00":
		return 2, 18, true
	case "01", "02", "03":
		return 2, 14, true
	case "04":
		return 2, 16, true
	case "11", "12", "13", "14", "15", "16", "17", "18", "19":
		return 2, 6, true
	case "20":
		return 2, 2, true
	case "31", "32", "33", "34", "35", "36":
		return 4, 6, true
	case "41":
		return 3, 13, true
	}
	return 0, 0, false
}

// variableIdentifier gives the length of other application identifiers that stand on devices.
func variableIdentifier(s string) int {
	switch {
	case len(s) < 2:
		return 0
	case s[:2] == "10" || s[:2] == "21" || s[:2] == "22" || s[:2] == "30" || s[:2] == "37" || s[0] == '9':
		return 2
	case s[:2] == "24" || s[:2] == "25" || s[:2] == "23":
		return 3
	case s[:2] == "70" || s[:2] == "71" || s[:2] == "72" || s[:2] == "80" || s[:2] == "81" || s[:2] == "82":
		return 4
	}
	return 0
}

// parseBracketed reads the printed form, "(01)…(17)…"; braces and square brackets were seen too.
func parseBracketed(s string, year int) Identifier {
	i := Identifier{Agency: GS1}
	for s != "" {
		end := strings.IndexAny(s, ")}]")
		if !strings.ContainsRune("({[", rune(s[0])) || end < 2 || !digits(s[1:end]) {
			i.flag(Unreadable)
			break
		}
		name, rest := s[1:end], s[end+1:]
		next := elementEnd(rest)
		i.element(name, strings.Trim(rest[:next], " "+separator), year)
		s = rest[next:]
	}
	return i
}

// elementEnd finds where the next bracketed identifier begins: brackets may stand in a lot number too, so only one that
// holds two to four digits counts.
func elementEnd(s string) int {
	for n := range len(s) {
		if !strings.ContainsRune("({[", rune(s[n])) {
			continue
		}
		end := strings.IndexAny(s[n:min(n+6, len(s))], ")}]")
		if end >= 3 && end <= 5 && digits(s[n+1:n+end]) {
			return n
		}
	}
	return len(s)
}

// parseElements reads scanned data: elements one behind the other, those of variable length up to a separator.
func parseElements(s string, year int) Identifier {
	i := Identifier{Agency: GS1}
	for s = strings.TrimLeft(s, separator); s != ""; s = strings.TrimLeft(s, separator) {
		if len(s) < 2 || !digits(s[:2]) {
			i.flag(Unreadable)
			break
		}
		if width, data, ok := fixedLength(s[:2]); ok {
			if len(s) < width+data {
				i.element(s[:min(width, len(s))], s[min(width, len(s)):], year)
				break
			}
			i.element(s[:width], s[width:width+data], year)
			s = s[width+data:]
			continue
		}
		width := variableIdentifier(s)
		if width == 0 || len(s) < width {
			i.flag(Unreadable)
			break
		}
		value, rest, _ := strings.Cut(s[width:], separator)
		i.element(s[:width], value, year)
		s = rest
	}
	return i
}

// parseDigits reads a text of digits only: a GTIN of 8, 12, 13 or 14 digits by itself, or scanned data without letters.
func parseDigits(s string, year int) Identifier {
	switch len(s) {
	case 8, 12, 13, 14:
		i := Identifier{Agency: GS1}
		i.element("01", s, year)
		return i
	}
	if strings.HasPrefix(s, "01") && len(s) >= 16 {
		return parseElements(s, year)
	}
	return Identifier{Device: s, Flags: []Flag{Unreadable}}
}

// element takes one element string in; identifiers that say nothing about the device are passed over.
func (i *Identifier) element(name, value string, year int) {
	switch name {
	case "01":
		i.gtin(value)
	case "10":
		i.Lot = i.short(value)
	case "21":
		i.Serial = i.short(value)
	case "11":
		i.Made = i.date(value, year)
	case "17":
		i.Expires = i.date(value, year)
	}
}

// gtin takes a trade item number in. GTIN-8, -12 and -13 stand right-aligned in 14 digits.
func (i *Identifier) gtin(s string) {
	if !digits(s) || len(s) > 14 || len(s) < 8 {
		i.Device = plain(s)
		i.flag(BadLength)
		return
	}
	if len(s) != 8 && len(s) < 12 {
		i.flag(BadLength)
	}
	i.Device = strings.Repeat("0", 14-len(s)) + s
	if GTINCheck(i.Device[:13]) != i.Device[13] {
		i.flag(BadCheck)
	}
}

// short bounds a lot or serial number to what the standard has room for; a longer one is kept and flagged.
func (i *Identifier) short(s string) string {
	if len(s) > 20 || s == "" {
		i.flag(BadLength)
	}
	return s
}

// date reads YYMMDD. Day 00 means the last day of the month; new labels must not use it since 2025, older stock does.
func (i *Identifier) date(s string, year int) string {
	if len(s) != 6 || !digits(s) {
		i.flag(BadDate)
		return ""
	}
	day, ok := calendarDay(fullYear(number(s[:2]), year), number(s[2:4]), number(s[4:]), true)
	if !ok {
		i.flag(BadDate)
	}
	return day
}

// GTINCheck gives the check digit of the digits before it: weights 3 and 1 in turn from the right, the sum completed to the
// next ten (GS1 General Specifications, "Standard check digit calculations"). The text must be digits.
func GTINCheck(s string) byte {
	sum := 0
	for n := range len(s) {
		weight := 1
		if (len(s)-n)%2 == 1 {
			weight = 3
		}
		sum += weight * int(s[n]-'0')
	}
	return byte('0' + (10-sum%10)%10)
}
