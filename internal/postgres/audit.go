package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// Entry is one line of the audit trail. It holds no patient data: Route is a route pattern, Number a number of ours, Filter an opaque
// key of ours.
type Entry struct {
	At                             time.Time
	Caller, Action, Route, Outcome string
	Number                         int64
	Role, Filter                   string
}

// Audit adds a line to the audit trail.
func (s *Store) Audit(ctx context.Context, e Entry) error {
	const insert = `
		INSERT INTO audit (at, caller, action, route, outcome, number, role, filter)
		VALUES (@at, @caller, @action, @route, @outcome, @number, @role, @filter)`
	_, err := s.pool.Exec(ctx, insert, pgx.NamedArgs{"at": e.At, "caller": e.Caller, "action": e.Action, "route": e.Route,
		"outcome": e.Outcome, "number": e.Number, "role": e.Role, "filter": e.Filter})
	return failed("write the audit trail", err)
}
