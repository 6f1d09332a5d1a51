package rules_test

import (
	"fmt"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestWindow: before on days 0 to 28, in on days 29 to 54, past from day 55 (FDA safety communication of 6 May 2014 and its
// decision analysis); undetermined where possible days lie on two sides. The expected days are counted on a calendar.
func TestWindow(t *testing.T) {
	t.Parallel()
	unknown := filter.Unknown()
	for _, c := range []struct {
		name            string
		placed, removed filter.Span
		standing        filter.Standing
		asOf            string
		want, dwell     string
	}{
		{"day 0", on(t, "2024-03-01"), unknown, filter.StandingInPlace, "2024-03-01", "before", "0-0"},
		{"day 28", on(t, "2024-03-01"), unknown, filter.StandingInPlace, "2024-03-29", "before", "28-28"},
		{"day 29", on(t, "2024-03-01"), unknown, filter.StandingInPlace, "2024-03-30", "in", "29-29"},
		{"day 54", on(t, "2024-03-01"), unknown, filter.StandingInPlace, "2024-04-24", "in", "54-54"},
		{"day 55", on(t, "2024-03-01"), unknown, filter.StandingInPlace, "2024-04-25", "past", "55-55"},
		{"day 29 over a leap day", on(t, "2024-02-01"), unknown, filter.StandingInPlace, "2024-03-01", "in", "29-29"},
		{"month, all before", span(t, "2024-05-01", "2024-05-31"), unknown, filter.StandingInPlace, "2024-05-29", "before", "0-28"},
		{"month, one day may be in", span(t, "2024-05-01", "2024-05-31"), unknown, filter.StandingInPlace, "2024-05-30", "undetermined", "0-29"},
		{"month, in or past", span(t, "2024-05-01", "2024-05-31"), unknown, filter.StandingInPlace, "2024-07-01", "undetermined", "31-61"},
		{"month, one day may be in still", span(t, "2024-05-01", "2024-05-31"), unknown, filter.StandingInPlace, "2024-07-24", "undetermined", "54-84"},
		{"month, all past", span(t, "2024-05-01", "2024-05-31"), unknown, filter.StandingInPlace, "2024-07-25", "past", "55-85"},
		{"two days, both in", span(t, "2024-03-01", "2024-03-02"), unknown, filter.StandingInPlace, "2024-04-01", "in", "30-31"},
		{"known by a day only", filter.Span{Earliest: filter.MinDay, Latest: day(t, "2024-03-01")}, unknown, filter.StandingInPlace, "2024-04-24", "undetermined", "54-?"},
		{"by a day, past", filter.Span{Earliest: filter.MinDay, Latest: day(t, "2024-03-01")}, unknown, filter.StandingInPlace, "2024-04-25", "past", "55-?"},
		{"from a day only", filter.Span{Earliest: day(t, "2024-03-01"), Latest: filter.MaxDay}, unknown, filter.StandingInPlace, "2024-03-29", "before", "?-28"},
		{"from a day, later", filter.Span{Earliest: day(t, "2024-03-01"), Latest: filter.MaxDay}, unknown, filter.StandingInPlace, "2024-09-01", "undetermined", "?-184"},
		{"nothing known", unknown, unknown, filter.StandingInPlace, "2024-09-01", "undetermined", "?-?"},
		{"removed on day 28", on(t, "2024-03-01"), on(t, "2024-03-29"), filter.StandingRemoved, "2025-01-01", "before", "28-28"},
		{"removed on day 29", on(t, "2024-03-01"), on(t, "2024-03-30"), filter.StandingRemoved, "2025-01-01", "in", "29-29"},
		{"removed on day 55", on(t, "2024-03-01"), on(t, "2024-04-25"), filter.StandingPartly, "2025-01-01", "past", "55-55"},
		{"removed the day it was placed", on(t, "2024-03-01"), on(t, "2024-03-01"), filter.StandingRemoved, "2025-01-01", "before", "0-0"},
		{"removed in a month", on(t, "2024-03-01"), span(t, "2024-03-01", "2024-03-31"), filter.StandingRemoved, "2025-01-01", "undetermined", "0-30"},
		{"removed this month", on(t, "2024-03-01"), span(t, "2024-03-01", "2024-03-31"), filter.StandingRemoved, "2024-03-20", "before", "0-19"},
		{"removed on no known day", on(t, "2024-03-01"), unknown, filter.StandingRemoved, "2025-01-01", "undetermined", "0-306"},
		{"removed on no known day, early", on(t, "2024-03-01"), unknown, filter.StandingRemoved, "2024-03-20", "before", "0-19"},
		{"out within the month of placement", span(t, "2024-05-01", "2024-05-31"), on(t, "2024-05-10"), filter.StandingRemoved, "2025-01-01", "before", "0-9"},
	} {
		f := placedFilter(c.placed)
		f.Removed, f.Standing = c.removed, c.standing
		s := judgeAt(t, f, c.asOf)
		if string(s.Window) != c.want {
			t.Errorf("%s: window %s, want %s", c.name, s.Window, c.want)
		}
		low, high, lowKnown, highKnown := s.DwellDays()
		side := func(n int, known bool) string {
			if !known {
				return "?"
			}
			return fmt.Sprint(n)
		}
		if got := side(low, lowKnown) + "-" + side(high, highKnown); got != c.dwell {
			t.Errorf("%s: dwell %s, want %s", c.name, got, c.dwell)
		}
	}
}

// TestLabelledDays: the last of the days that the label of a model gives, with the day of placement as day 0. The text says the same
// on every day, so that it never goes out of date in a document. Expected days counted on a calendar.
func TestLabelledDays(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		placed filter.Span
		want   string
	}{
		{"a day", on(t, "2025-09-02"), "The last of these days is 2026-03-01;"},
		{"over a leap day", on(t, "2023-09-03"), "The last of these days is 2024-03-01;"},
		{"a month", span(t, "2025-09-01", "2025-09-30"), "lies between 2026-02-28 and 2026-03-29;"},
		{"no day known", filter.Unknown(), ""},
	} {
		f := placedFilter(c.placed)
		f.Model.Name, f.Model.RetrievalDays = "Example A", 180
		for _, asOf := range []string{"2026-02-27", "2026-02-28", "2026-03-01", "2026-03-02", "2026-03-30"} {
			got := ""
			for _, finding := range judge(f, rules.Facts{}, day(t, asOf)).Findings {
				if finding.Rule == "labelled-retrieval-days" {
					got = finding.Text
				}
			}
			if c.want == "" && got != "" || !strings.Contains(got, c.want) {
				t.Errorf("%s on %s: %q, want %q", c.name, asOf, got, c.want)
			}
		}
	}
}
