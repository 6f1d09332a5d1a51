package filter_test

import (
	"testing"

	"dwellwatch/internal/filter"
)

func day(t *testing.T, s string) filter.Day {
	t.Helper()
	d, err := filter.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestAddMonths: the expected days are read off a calendar.
func TestAddMonths(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from   string
		months int
		want   string
	}{
		{"2024-01-31", 1, "2024-02-29"},
		{"2023-01-31", 1, "2023-02-28"},
		{"2023-11-30", 3, "2024-02-29"},
		{"2024-11-30", 3, "2025-02-28"},
		{"2024-02-29", 12, "2025-02-28"},
		{"2024-02-29", 48, "2028-02-29"},
		{"2024-08-31", 1, "2024-09-30"},
		{"2024-10-31", 3, "2025-01-31"},
		{"2024-12-15", 1, "2025-01-15"},
		{"2024-03-31", -1, "2024-02-29"},
		{"2024-01-31", -2, "2023-11-30"},
		{"2024-05-10", 0, "2024-05-10"},
		{"2099-12-31", 2, "2100-02-28"},
		{"1969-12-31", 2, "1970-02-28"},
	} {
		if got := day(t, c.from).AddMonths(c.months).String(); got != c.want {
			t.Errorf("%s and %d months: got %s, want %s", c.from, c.months, got, c.want)
		}
	}
	for _, end := range []filter.Day{filter.MinDay, filter.MaxDay} {
		if end.AddMonths(3) != end || end.Add(-40) != end {
			t.Errorf("a missing bound %d does not stay missing", end)
		}
	}
}

func TestDays(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from string
		n    int
		want string
	}{
		{"2024-02-28", 1, "2024-02-29"}, {"2023-02-28", 1, "2023-03-01"}, {"2024-12-31", 1, "2025-01-01"}, {"2024-03-01", -1, "2024-02-29"},
		{"1970-01-01", -1, "1969-12-31"}, {"2024-01-01", 366, "2025-01-01"}, {"1900-02-28", 1, "1900-03-01"}, {"2000-02-28", 1, "2000-02-29"},
	} {
		if got := day(t, c.from).Add(c.n).String(); got != c.want {
			t.Errorf("%s and %d days: got %s, want %s", c.from, c.n, got, c.want)
		}
	}
	for _, bad := range []string{"", "2024", "2024-1-1", "2023-02-29", "2024-02-30", "2024-13-01", "2024-00-10", "2024-01-01T00:00:00Z", " 2024-01-01"} {
		if d, err := filter.ParseDay(bad); err == nil {
			t.Errorf("%q is read as %s", bad, d)
		}
	}
	if filter.NewDay(1970, 1, 1) != 0 || filter.NewDay(2000, 3, 1) != 11017 {
		t.Error("days are not counted from 1970-01-01")
	}
	if y, m, d := filter.NewDay(1969, 7, 20).Date(); y != 1969 || m != 7 || d != 20 {
		t.Errorf("got %d-%d-%d", y, m, d)
	}
	if filter.MinDay.String() != "unknown" || filter.MaxDay.String() != "unknown" {
		t.Error("a missing bound is written as a day")
	}
}

func TestSpans(t *testing.T) {
	t.Parallel()
	may := filter.Span{Earliest: day(t, "2024-05-01"), Latest: day(t, "2024-05-31")}
	for _, c := range []struct {
		name    string
		a, b    filter.Span
		gap     int
		overlap string // "" for none
		hull    string
	}{
		{"the same day", filter.On(day(t, "2024-05-10")), filter.On(day(t, "2024-05-10")), 0, "2024-05-10", "2024-05-10"},
		{"neighbours", filter.On(day(t, "2024-05-10")), filter.On(day(t, "2024-05-11")), 1, "", "between 2024-05-10 and 2024-05-11"},
		{"a day of the month", may, filter.On(day(t, "2024-05-31")), 0, "2024-05-31", "between 2024-05-01 and 2024-05-31"},
		{"the day after the month", may, filter.On(day(t, "2024-06-01")), 1, "", "between 2024-05-01 and 2024-06-01"},
		{"over the leap day", filter.On(day(t, "2024-02-28")), filter.On(day(t, "2024-03-01")), 2, "", "between 2024-02-28 and 2024-03-01"},
		{"open to the right", filter.Span{Earliest: may.Earliest, Latest: filter.MaxDay}, may, 0, may.String(), "from 2024-05-01"},
		{"nothing known", filter.Unknown(), may, 0, may.String(), "an unknown day"},
	} {
		if c.a.Gap(c.b) != c.gap || c.b.Gap(c.a) != c.gap {
			t.Errorf("%s: gaps %d and %d, want %d", c.name, c.a.Gap(c.b), c.b.Gap(c.a), c.gap)
		}
		o, ok := c.a.Overlap(c.b)
		if p, pok := c.b.Overlap(c.a); ok != pok || ok && o != p {
			t.Errorf("%s: the overlap depends on the order", c.name)
		}
		if ok != (c.overlap != "") || ok && o.String() != c.overlap {
			t.Errorf("%s: overlap %s, want %q", c.name, o, c.overlap)
		}
		if got := c.a.Hull(c.b).String(); got != c.hull || c.b.Hull(c.a).String() != c.hull {
			t.Errorf("%s: hull %s, want %s", c.name, got, c.hull)
		}
	}
	left := filter.Span{Earliest: filter.MinDay, Latest: may.Latest}
	for _, c := range []struct {
		s                     filter.Span
		known, bounded, exact bool
	}{
		{filter.Unknown(), false, false, false}, {may, true, true, false}, {filter.On(5), true, true, true}, {left, true, false, false},
	} {
		if c.s.Known() != c.known || c.s.Bounded() != c.bounded || c.s.Exact() != c.exact {
			t.Errorf("%s: known %t bounded %t exact %t", c.s, c.s.Known(), c.s.Bounded(), c.s.Exact())
		}
	}
	if left.String() != "by 2024-05-31" {
		t.Errorf("got %q", left)
	}
}

// TestClock: a comparison that fails today names the first day on which it holds, and no other.
func TestClock(t *testing.T) {
	t.Parallel()
	asOf := day(t, "2024-05-10")
	for _, c := range []struct {
		name string
		ask  func(*filter.Clock) bool
		want bool
		next string // "" for none
	}{
		{"today", func(k *filter.Clock) bool { return k.Reached(asOf) }, true, ""},
		{"tomorrow", func(k *filter.Clock) bool { return k.Reached(asOf + 1) }, false, "2024-05-11"},
		{"never", func(k *filter.Clock) bool { return k.Reached(filter.MaxDay) }, false, ""},
		{"always", func(k *filter.Clock) bool { return k.Reached(filter.MinDay) }, true, ""},
		{"29 days ago is 29", func(k *filter.Clock) bool { return k.AtLeast(asOf-29, 29) }, true, ""},
		{"28 days ago is not yet 29", func(k *filter.Clock) bool { return k.AtLeast(asOf-28, 29) }, false, "2024-05-11"},
		{"90 days ago is within 90", func(k *filter.Clock) bool { return k.Within(asOf-90, 90) }, true, "2024-05-11"},
		{"91 days ago is not", func(k *filter.Clock) bool { return k.Within(asOf-91, 90) }, false, ""},
		{"a day to come is within", func(k *filter.Clock) bool { return k.Within(asOf+5, 0) }, true, "2024-05-16"},
		{"a missing bound is not", func(k *filter.Clock) bool { return k.Within(filter.MinDay, 9999) }, false, ""},
	} {
		k := filter.NewClock(asOf)
		if got := c.ask(k); got != c.want {
			t.Errorf("%s: got %t", c.name, got)
		}
		next := ""
		if k.Next() < filter.MaxDay {
			next = k.Next().String()
		}
		if next != c.next {
			t.Errorf("%s: the next day is %q, want %q", c.name, next, c.next)
		}
	}
}
