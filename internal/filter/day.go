package filter

import (
	"fmt"
	"time"
)

// Day is one calendar day of the facility, counted from 1970-01-01. It has no clock and no zone.
type Day int

// The ends of the calendar stand for "no bound known on this side".
const (
	MinDay Day = -1 << 40
	MaxDay Day = 1 << 40
)

// NewDay gives the day of a proleptic Gregorian date. It does not check the date; ParseDay does.
func NewDay(year int, month time.Month, day int) Day {
	return Day(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// ParseDay reads YYYY-MM-DD and refuses days that the calendar does not have.
func ParseDay(s string) (Day, error) {
	t, err := time.Parse("2006-01-02", s)
	if err != nil {
		return 0, fmt.Errorf("%q is not a calendar day (YYYY-MM-DD)", s)
	}
	return Day(t.Unix() / 86400), nil
}

// Date gives year, month and day of the month.
func (d Day) Date() (int, time.Month, int) {
	return time.Unix(int64(d)*86400, 0).UTC().Date()
}

// String writes YYYY-MM-DD, or "unknown" for a missing bound.
func (d Day) String() string {
	if d <= MinDay || d >= MaxDay {
		return "unknown"
	}
	y, m, dd := d.Date()
	if y < 0 || y > 9999 {
		return fmt.Sprintf("%04d-%02d-%02d", y, int(m), dd)
	}
	digit := func(n int) byte { return byte('0' + n%10) }
	return string([]byte{digit(y / 1000), digit(y / 100), digit(y / 10), digit(y), '-', digit(int(m) / 10), digit(int(m)), '-', digit(dd / 10), digit(dd)})
}

// AddMonths gives the same calendar day n months on; a day the month lacks becomes its last day.
func (d Day) AddMonths(n int) Day {
	if d <= MinDay || d >= MaxDay {
		return d
	}
	y, m, dd := d.Date()
	first := time.Date(y, m+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return NewDay(first.Year(), first.Month(), min(dd, last))
}

// Add gives the day n days on; a missing bound stays missing.
func (d Day) Add(n int) Day {
	if d <= MinDay || d >= MaxDay {
		return d
	}
	return d + Day(n)
}

// Span is a day that may be known only in part: it lies somewhere from Earliest to Latest, both included.
// The zero Span is the single day 1970-01-01; use Unknown for a day of which nothing is known.
type Span struct{ Earliest, Latest Day }

// Unknown gives the span of a day of which nothing is known.
func Unknown() Span { return Span{MinDay, MaxDay} }

// On gives the span of one known day.
func On(d Day) Span { return Span{d, d} }

// Known reports whether at least one side is known.
func (s Span) Known() bool { return s.Earliest > MinDay || s.Latest < MaxDay }

// Bounded reports whether both sides are known.
func (s Span) Bounded() bool { return s.Earliest > MinDay && s.Latest < MaxDay }

// Exact reports whether the span is one day.
func (s Span) Exact() bool { return s.Earliest == s.Latest }

// Overlap gives the days that lie in both spans; ok is false where there are none.
func (s Span) Overlap(t Span) (Span, bool) {
	o := Span{max(s.Earliest, t.Earliest), min(s.Latest, t.Latest)}
	return o, o.Earliest <= o.Latest
}

// Hull gives the shortest span that holds both.
func (s Span) Hull(t Span) Span {
	return Span{min(s.Earliest, t.Earliest), max(s.Latest, t.Latest)}
}

// Gap gives the smallest number of days that can lie between a day of s and a day of t; 0 where they overlap.
func (s Span) Gap(t Span) int {
	switch {
	case s.Latest < t.Earliest:
		return int(t.Earliest - s.Latest)
	case t.Latest < s.Earliest:
		return int(s.Earliest - t.Latest)
	}
	return 0
}

// String writes one day, "from … to …", "by …", "from …" or "an unknown day".
func (s Span) String() string {
	switch {
	case !s.Known():
		return "an unknown day"
	case s.Exact():
		return s.Earliest.String()
	case s.Earliest <= MinDay:
		return "by " + s.Latest.String()
	case s.Latest >= MaxDay:
		return "from " + s.Earliest.String()
	}
	return "between " + s.Earliest.String() + " and " + s.Latest.String()
}
