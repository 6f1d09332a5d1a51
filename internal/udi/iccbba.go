package udi

import (
	"strings"
	"time"
)

// parseICCBBA reads the data structures of human tissue and blood bags as far as the device identifier; what else stands
// there is passed over.
func parseICCBBA(s string) Identifier {
	i := Identifier{Agency: ICCBBA}
	for _, form := range []struct {
		sign  string
		width int
	}{{"=/", 16}, {"=)", 10}} {
		_, rest, found := strings.Cut(s, form.sign)
		if !found {
			continue
		}
		end := strings.IndexAny(rest, "=&")
		if end < 0 {
			end = len(rest)
		}
		if i.Device = strings.Trim(rest[:end], " "); len(i.Device) != form.width {
			i.flag(BadLength)
		}
		return i
	}
	i.flag(Unreadable)
	return i
}

// dayOfYear writes the nth day of a year.
func dayOfYear(year, n int) (string, bool) {
	t := time.Date(year, time.January, n, 0, 0, 0, 0, time.UTC)
	if n < 1 || t.Year() != year {
		return "", false
	}
	return t.Format(time.DateOnly), true
}
