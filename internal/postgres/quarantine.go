package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
)

// Quarantine keeps what could not be taken for some days, with all its faults. The bytes are kept only where keepBody says
// that they concern a filter or a followed person.
func (s *Store) Quarantine(ctx context.Context, feed, route string, body []byte, issues []fhir.Issue, keepBody bool, days int, now time.Time) error {
	const insert = `
		INSERT INTO quarantine (feed, route, received_at, expires_at, size, body, issues)
		VALUES (@feed, @route, @now, @expires, @size, @body, @issues)`
	if issues == nil {
		issues = []fhir.Issue{}
	}
	size := len(body)
	if !keepBody {
		body = nil
	}
	return s.inTx(ctx, "quarantine a payload", func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, insert, pgx.NamedArgs{"feed": feed, "route": route, "now": now, "expires": now.AddDate(0, 0, days),
			"size": size, "body": body, "issues": issues})
		return err
	})
}

// ForgetQuarantine deletes what has been kept long enough by now, and gives its number.
func (s *Store) ForgetQuarantine(ctx context.Context, now time.Time) (int, error) {
	const forget = `DELETE FROM quarantine WHERE expires_at <= @now`
	tag, err := s.pool.Exec(ctx, forget, pgx.NamedArgs{"now": now})
	return int(tag.RowsAffected()), failed("forget old payloads", err)
}
