package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
)

// Quarantine keeps what could not be taken for some days, with all its faults. The bytes are kept only where keepBody says
// that they concern a filter or a followed person. It also forgets what has been kept long enough.
func (s *Store) Quarantine(ctx context.Context, feed, route string, body []byte, issues []fhir.Issue, keepBody bool, days int, now time.Time) error {
	const insert = `
		INSERT INTO quarantine (feed, route, received_at, expires_at, size, body, issues)
		VALUES (@feed, @route, @now, @expires, @size, @body, @issues)`
	const forget = `DELETE FROM quarantine WHERE expires_at <= @now`
	if issues == nil {
		issues = []fhir.Issue{}
	}
	size := len(body)
	if !keepBody {
		body = nil
	}
	return s.inTx(ctx, "quarantine a payload", func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, forget, pgx.NamedArgs{"now": now}); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, insert, pgx.NamedArgs{"feed": feed, "route": route, "now": now, "expires": now.AddDate(0, 0, days),
			"size": size, "body": body, "issues": issues})
		return err
	})
}
