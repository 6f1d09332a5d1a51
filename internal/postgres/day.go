package postgres

import (
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"dwellwatch/internal/filter"
)

// date writes a day; MaxDay becomes null (never), MinDay the infinite past.
func date(d filter.Day) pgtype.Date {
	if d >= filter.MaxDay {
		return pgtype.Date{}
	}
	if d <= filter.MinDay {
		return pgtype.Date{InfinityModifier: pgtype.NegativeInfinity, Valid: true}
	}
	return pgtype.Date{Time: time.Unix(int64(d)*86400, 0).UTC(), Valid: true}
}

// day reads a date; null is MaxDay.
func day(d pgtype.Date) filter.Day {
	switch {
	case !d.Valid || d.InfinityModifier == pgtype.Infinity:
		return filter.MaxDay
	case d.InfinityModifier == pgtype.NegativeInfinity:
		return filter.MinDay
	}
	return filter.NewDay(d.Time.Date())
}

// stampOf writes a time; the zero time becomes null.
func stampOf(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// timeOf reads a time; null is the zero time.
func timeOf(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}
