package udi

import "strings"

// alphabet holds the characters of HIBC in order of their value in the check sum (ANSI/HIBC 2.6, appendix B).
const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"

// HIBCCheck gives the check character of all characters before it, the plus sign included: the sum of their values modulo
// 43. ok is false where a character has no value.
func HIBCCheck(s string) (check byte, ok bool) {
	sum := 0
	for n := range len(s) {
		value := strings.IndexByte(alphabet, s[n])
		if value < 0 {
			return 0, false
		}
		sum += value
	}
	return alphabet[sum%43], true
}

// parseHIBC reads a primary symbol, alone or with its secondary data behind a stroke. The last character is the check
// character of the whole.
func parseHIBC(s string, year int) Identifier {
	i := Identifier{Agency: HIBCC}
	s = strings.ToUpper(s)
	if len(s) < 2 {
		i.flag(BadLength)
		return i
	}
	body, last := s[:len(s)-1], s[len(s)-1]
	if last == '_' {
		last = ' ' // a space as check character is printed so
	}
	if want, ok := HIBCCheck(body); !ok || want != last {
		i.flag(BadCheck)
	}
	if strings.HasPrefix(s, "+$") || len(s) > 1 && s[1] >= '0' && s[1] <= '9' {
		// A secondary symbol alone: it names no device.
		i.secondary(strings.TrimPrefix(body, "+"), year)
		return i
	}
	primary, rest, joined := strings.Cut(body[1:], "/")
	i.Device = primary
	// Labeler code (4), product number (1 to 18), unit of measure (1).
	if len(primary) < 6 || len(primary) > 23 || primary[len(primary)-1] < '0' || primary[len(primary)-1] > '9' {
		i.flag(BadLength)
	}
	for joined {
		var part string
		part, rest, joined = strings.Cut(rest, "/")
		i.secondary(part, year)
	}
	return i
}

// secondary reads lot, serial number and dates by the sign they begin with (ANSI/HIBC 2.6, tables of secondary data).
func (i *Identifier) secondary(s string, year int) {
	switch {
	case strings.HasPrefix(s, "16D"):
		i.Made = i.longDate(s[3:])
	case strings.HasPrefix(s, "14D"):
		i.Expires = i.longDate(s[3:])
	case strings.HasPrefix(s, "$$+"):
		i.Serial = i.dated(s[3:], year)
	case strings.HasPrefix(s, "$$"):
		i.Lot = i.dated(s[2:], year)
	case strings.HasPrefix(s, "$+"):
		i.Serial = s[2:]
	case strings.HasPrefix(s, "$"):
		i.Lot = s[1:]
	case strings.HasPrefix(s, "S"):
		i.Serial = s[1:]
	default:
		i.flag(Unreadable)
	}
}

// dated reads an expiry in the form that its first digit names and gives what stands behind it: 2 MMDDYY, 3 YYMMDD, 4 with
// hour, 5 YYJJJ, 6 with hour, 7 none; 0 and 1 begin MMYY.
func (i *Identifier) dated(s string, year int) string {
	if s == "" {
		i.flag(BadLength)
		return ""
	}
	width := map[byte]int{'0': 4, '1': 4, '2': 6, '3': 6, '4': 8, '5': 5, '6': 7, '7': 0}
	form := s[0]
	want, known := width[form]
	if !known {
		i.flag(Unreadable)
		return s
	}
	if form > '1' {
		s = s[1:]
	}
	if len(s) < want || want > 0 && !digits(s[:want]) {
		i.flag(BadDate)
		return s
	}
	d, rest := s[:want], s[want:]
	var ok bool
	switch form {
	case '0', '1':
		i.Expires, ok = calendarDay(fullYear(number(d[2:]), year), number(d[:2]), 0, true)
	case '2':
		i.Expires, ok = calendarDay(fullYear(number(d[4:]), year), number(d[:2]), number(d[2:4]), false)
	case '3', '4':
		i.Expires, ok = calendarDay(fullYear(number(d[:2]), year), number(d[2:4]), number(d[4:6]), false)
	case '5', '6':
		i.Expires, ok = dayOfYear(fullYear(number(d[:2]), year), number(d[2:5]))
	case '7':
		ok = true
	}
	if !ok {
		i.flag(BadDate)
	}
	return rest
}

// longDate reads YYYYMMDD.
func (i *Identifier) longDate(s string) string {
	if len(s) != 8 || !digits(s) {
		i.flag(BadDate)
		return ""
	}
	day, ok := calendarDay(number(s[:4]), number(s[4:6]), number(s[6:]), false)
	if !ok {
		i.flag(BadDate)
	}
	return day
}
