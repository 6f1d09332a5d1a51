package postgres

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"dwellwatch/internal/fault"
)

// failed gives err its kind and says what failed. The server's own texts are left out because they quote values; the
// SQLSTATE and the name of the constraint say enough.
func failed(what string, err error) error {
	if err == nil {
		return nil
	}
	for _, kind := range []error{fault.Invalid, fault.NotFound, fault.Superseded, fault.Refused, fault.Unavailable,
		context.Canceled, context.DeadlineExceeded} {
		if errors.Is(err, kind) {
			return fmt.Errorf("%s: %w", what, err)
		}
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return fmt.Errorf("%s: %w", what, fault.NotFound)
	}
	var server *pgconn.PgError
	if errors.As(err, &server) {
		told := strings.TrimSpace("SQLSTATE " + server.Code + " " + server.ConstraintName)
		if passing(server.Code) {
			return fmt.Errorf("%s: %s: %w", what, told, fault.Unavailable)
		}
		return fmt.Errorf("%s: %s", what, told)
	}
	if broken(err) {
		return fmt.Errorf("%s: the database cannot be reached: %w", what, fault.Unavailable)
	}
	return fmt.Errorf("%s: %w", what, err)
}

// broken reports whether the connection failed rather than the statement.
func broken(err error) bool {
	var connect *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connect) || errors.As(err, &network) || errors.Is(err, net.ErrClosed) ||
		pgconn.SafeToRetry(err) || strings.Contains(err.Error(), "conn closed") || strings.Contains(err.Error(), "unexpected EOF")
}

// passing reports whether a SQLSTATE tells of a state that passes: connections (08), conflicts between transactions (40), lack of
// resources (53), locks (55P03), an operator's intervention (57). https://www.postgresql.org/docs/current/errcodes-appendix.html
func passing(code string) bool {
	switch code[:min(2, len(code))] {
	case "08", "40", "53", "57":
		return true
	}
	return code == "55P03"
}

// conflict reports whether the same transaction can succeed if it is run again at once: two got in each other's way.
func conflict(err error) bool {
	var server *pgconn.PgError
	return errors.As(err, &server) && (server.Code == "40001" || server.Code == "40P01" || server.Code == "23505")
}
