package fhir

import (
	"errors"
	"strings"
	"time"
)

// Date is a FHIR date, dateTime or instant as the days it can mean in the facility's zone. FHIR R4 datatypes, "date",
// "dateTime" and "instant": http://hl7.org/fhir/R4/datatypes.html#dateTime.
type Date struct {
	First, Last int // days since 1970-01-01, both included
	// Minute is minutes after midnight in the facility's zone, or -1 where the value gives no time.
	Minute int
}

// ErrDate is the error of a value that is not a date FHIR or the calendar knows.
var ErrDate = errors.New("not a date that FHIR and the calendar know")

// ParseDate reads YYYY, YYYY-MM, YYYY-MM-DD or a full date and time. A time without a zone is taken as the facility's
// own time, as hospitals that send one mean it. Year 0000 and days the calendar lacks are refused.
func ParseDate(s string, zone *time.Location) (Date, error) {
	if len(s) == 10 {
		return parseDay(s)
	}
	day, clock, timed := strings.Cut(s, "T")
	if timed {
		return parseTime(s, day, clock, zone)
	}
	switch year, month := digits(s, 0, 4), digits(s, 5, 7); {
	case len(s) == 4 && year > 0:
		return Date{epochDay(year, 1, 1), epochDay(year+1, 1, 1) - 1, -1}, nil
	case len(s) == 7 && s[4] == '-' && year > 0 && month > 0 && month <= 12:
		return Date{epochDay(year, month, 1), epochDay(year, month+1, 1) - 1, -1}, nil
	}
	return Date{}, ErrDate
}

// parseDay reads YYYY-MM-DD, the form of nearly all dates.
func parseDay(s string) (Date, error) {
	year, month, day := digits(s, 0, 4), digits(s, 5, 7), digits(s, 8, 10)
	if year < 1 || month < 1 || month > 12 || day < 1 || day > 28 && day > daysIn(year, month) || s[4] != '-' || s[7] != '-' {
		return Date{}, ErrDate
	}
	d := epochDay(year, month, day)
	return Date{d, d, -1}, nil
}

// digits reads the number between two places of a text; -1 where there is none.
func digits(s string, from, to int) int {
	if len(s) < to {
		return -1
	}
	n := 0
	for _, c := range []byte(s[from:to]) {
		if c < '0' || c > '9' {
			return -1
		}
		n = 10*n + int(c-'0')
	}
	return n
}

// maxOffset is the widest offset from UTC that FHIR's pattern allows: 14 hours.
const maxOffset = 14 * 60 * 60

func parseTime(whole, day, clock string, zone *time.Location) (Date, error) {
	// Go's parser would also take one digit for the hour, a comma before the fraction and 60 minutes of offset.
	if len(day) != 10 || strings.HasPrefix(day, "0000") || len(clock) < 5 || clock[2] != ':' || strings.Contains(clock, ",") ||
		strings.ContainsAny(clock, "+-") && strings.HasSuffix(clock, ":60") {
		return Date{}, ErrDate
	}
	// A leap second is legal in FHIR; Go's parser refuses it, and for a day it is the second before.
	if len(clock) >= 8 && clock[6:8] == "60" {
		whole = day + "T" + clock[:6] + "59" + clock[8:]
	}
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999", "2006-01-02T15:04Z07:00", "2006-01-02T15:04"} {
		t, err := time.ParseInLocation(layout, whole, zone)
		if err != nil {
			continue
		}
		if _, offset := t.Zone(); offset < -maxOffset || offset > maxOffset {
			return Date{}, ErrDate
		}
		t = t.In(zone)
		d := epochDay(t.Year(), int(t.Month()), t.Day())
		return Date{d, d, t.Hour()*60 + t.Minute()}, nil
	}
	return Date{}, ErrDate
}

func epochDay(year, month, day int) int {
	return int(time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}
