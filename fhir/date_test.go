package fhir_test

import (
	"regexp"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dwellwatch/fhir"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func epoch(t testing.TB, s string) int {
	t.Helper()
	d, err := time.Parse("2006-01-02", s)
	if err != nil {
		t.Fatal(err)
	}
	return int(d.Unix() / 86400)
}

// TestParseDate: the forms and the examples of http://hl7.org/fhir/R4/datatypes.html#dateTime ("2018", "1973-06",
// "1905-08-23", "2015-02-07T13:28:17-05:00", "2017-01-01T00:00:00.000Z") and the edges of the calendar.
func TestParseDate(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		in, zone, first, last string
		minute                int
	}{
		{"2018", "UTC", "2018-01-01", "2018-12-31", -1},
		{"1973-06", "UTC", "1973-06-01", "1973-06-30", -1},
		{"2024-02", "UTC", "2024-02-01", "2024-02-29", -1},
		{"2023-02", "UTC", "2023-02-01", "2023-02-28", -1},
		{"2023-12", "UTC", "2023-12-01", "2023-12-31", -1},
		{"1905-08-23", "UTC", "1905-08-23", "1905-08-23", -1},
		{"2024-02-29", "Asia/Tokyo", "2024-02-29", "2024-02-29", -1},
		{"2015-02-07T13:28:17-05:00", "UTC", "2015-02-07", "2015-02-07", 18*60 + 28},
		{"2017-01-01T00:00:00.000Z", "UTC", "2017-01-01", "2017-01-01", 0},
		// Offsets that carry the time over midnight into the facility's day.
		{"2017-01-01T00:00:00.000Z", "America/New_York", "2016-12-31", "2016-12-31", 19 * 60},
		{"2015-02-07T23:30:00-05:00", "UTC", "2015-02-08", "2015-02-08", 4*60 + 30},
		{"2015-02-07T23:30:00-05:00", "America/New_York", "2015-02-07", "2015-02-07", 23*60 + 30},
		{"2024-03-01T00:30:00+14:00", "UTC", "2024-02-29", "2024-02-29", 10*60 + 30},
		{"2024-12-31T20:00:00Z", "Asia/Tokyo", "2025-01-01", "2025-01-01", 5 * 60},
		// A night that summer time makes shorter: 2024-03-31 in Berlin.
		{"2024-03-31T01:30:00Z", "Europe/Berlin", "2024-03-31", "2024-03-31", 3*60 + 30},
		// The leap second at the end of 2016 (IERS Bulletin C 52) is the second before it, so the day holds.
		{"2016-12-31T23:59:60Z", "UTC", "2016-12-31", "2016-12-31", 23*60 + 59},
		{"2016-12-31T23:59:60.5Z", "UTC", "2016-12-31", "2016-12-31", 23*60 + 59},
		{"2016-12-31T23:59:60Z", "Europe/Berlin", "2017-01-01", "2017-01-01", 59},
		// Not FHIR, but sent: no zone is the facility's own time, and seconds may be missing.
		{"2024-05-01T23:59:00", "Asia/Tokyo", "2024-05-01", "2024-05-01", 23*60 + 59},
		{"2024-05-01T08:15", "Asia/Tokyo", "2024-05-01", "2024-05-01", 8*60 + 15},
		{"2024-05-01T08:15Z", "Asia/Tokyo", "2024-05-01", "2024-05-01", 17*60 + 15},
		{"0001", "UTC", "0001-01-01", "0001-12-31", -1},
		{"9999-12-31", "UTC", "9999-12-31", "9999-12-31", -1},
	} {
		got, err := fhir.ParseDate(c.in, zone(t, c.zone))
		want := fhir.Date{First: epoch(t, c.first), Last: epoch(t, c.last), Minute: c.minute}
		if err != nil || got != want {
			t.Errorf("%s in %s: got %+v %v, want %+v", c.in, c.zone, got, err, want)
		}
	}
	for _, bad := range []string{
		"", "0000", "0000-01", "0000-01-01", "0000-01-01T00:00:00Z", "24", "024", "20240101", "2024-1", "2024-1-1", "2024-00", "2024-13", "2024-01-00",
		"2024-02-30", "2023-02-29", "2100-02-29", "2024-04-31", "2024-01-32", "2024-01-01-01", "2024-", "-024", "+024", "2024-+1", "2024- 1",
		"2024-01-01T", "T12:00:00Z", "2024-01-01T24:00:00Z", "2024-01-01T12:60:00Z", "2024-01-01T12:00:61Z", "2024-01-01 12:00:00Z", "2024-01-01T12:00:00+15:00",
		"2024-01-01T12:00:00-14:30", "2024-01-01T12:00:00,5Z", "2024-01-01T1:00:00Z", "2024-02-30T12:00:00Z", "2024-01T12:00:00Z", "today", "2024-01-01Z", "٢٠٢٤",
	} {
		if got, err := fhir.ParseDate(bad, time.UTC); err == nil {
			t.Errorf("%q is read as %+v", bad, got)
		}
	}
}

// TestParseDateAgainstThePublishedPattern: what the pattern of FHIR R4 (http://hl7.org/fhir/R4/datatypes.html#dateTime)
// accepts and the calendar has is read, and what it refuses is refused.
func TestParseDateAgainstThePublishedPattern(t *testing.T) {
	t.Parallel()
	pattern := regexp.MustCompile(`^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1])(T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00)))?)?)?$`)
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[0-2][0-9]{3}(-[01][0-9](-[0-3][0-9](T[0-2][0-9]:[0-6][0-9]:[0-6][0-9](\.[0-9]{1,3})?(Z|[+-][01][0-9]:[0-6][0-9]))?)?)?`).Draw(t, "date")
		want := pattern.MatchString(s)
		if want && len(s) >= 10 {
			_, err := time.Parse("2006-01-02", s[:10])
			want = err == nil
		}
		d, err := fhir.ParseDate(s, time.UTC)
		if (err == nil) != want {
			t.Fatalf("%q: read %t, want %t", s, err == nil, want)
		}
		if err == nil && d.First > d.Last {
			t.Fatalf("%q: %+v", s, d)
		}
	})
}
