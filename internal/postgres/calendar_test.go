package postgres

import (
	"math/rand/v2"
	"testing"

	"dwellwatch/internal/filter"
)

// TestCalendarIsPostgreSQLs compares our days with PostgreSQL's own arithmetic of dates and intervals
// (https://www.postgresql.org/docs/current/functions-datetime.html), which also takes the last day of a month that lacks the day.
func TestCalendarIsPostgreSQLs(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	const ask = `
		SELECT (d + make_interval(months => m))::date::text, (d + n)::text, (d + n) - d, d - date '1970-01-01'
		FROM unnest($1::date[], $2::int[], $3::int[]) WITH ORDINALITY AS given (d, m, n, at) ORDER BY at`
	rng := rand.New(rand.NewPCG(1, 2))
	var days []string
	var months, numbers []int32
	add := func(day filter.Day, m, n int32) {
		days, months, numbers = append(days, day.String()), append(months, m), append(numbers, n)
	}
	// Every day of a leap year, one before it and a century that is none, by every number of months that the rules use.
	for _, year := range []int{1900, 2023, 2024} {
		for day := filter.NewDay(year, 1, 1); day < filter.NewDay(year+1, 1, 1); day++ {
			for _, m := range []int32{-6, -3, 1, 3, 6, 12} {
				add(day, m, int32(rng.IntN(200)))
			}
		}
	}
	for range 3000 {
		add(filter.NewDay(1900+rng.IntN(250), 1, 1)+filter.Day(rng.IntN(365)), int32(rng.IntN(80)-40), int32(rng.IntN(20000)-10000))
	}
	rows, err := b.Pool().Query(t.Context(), ask, days, months, numbers)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	i := 0
	for ; rows.Next(); i++ {
		var later, on string
		var apart, since int
		if err := rows.Scan(&later, &on, &apart, &since); err != nil {
			t.Fatal(err)
		}
		day, err := filter.ParseDay(days[i])
		if err != nil {
			t.Fatal(err)
		}
		if got := day.AddMonths(int(months[i])).String(); got != later {
			t.Errorf("%s and %d months: %s, PostgreSQL says %s", days[i], months[i], got, later)
		}
		if got := day.Add(int(numbers[i])); got.String() != on || int(got-day) != apart || int(day) != since {
			t.Errorf("%s and %d days: %s, PostgreSQL says %s", days[i], numbers[i], got, on)
		}
	}
	if err := rows.Err(); err != nil || i != len(days) {
		t.Fatalf("%d of %d answers, %v", i, len(days), err)
	}
}
