package postgres

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Session is somebody who is signed in.
type Session struct {
	Subject, Name, Practitioner string
	Roles                       []string
	Local                       bool
	StartedAt, EndsAt           time.Time
}

// swept is how many rows that are over each new row takes with it, so that a table never needs a sweep of its own.
const swept = 10

// StartSession keeps a session under the digest of its id, and forgets some that are over.
func (s *Store) StartSession(ctx context.Context, digest []byte, n Session) error {
	const insert = `
		INSERT INTO session (digest, subject, name, practitioner, roles, local, started_at, seen_at, ends_at)
		VALUES (@digest, @subject, @name, @practitioner, @roles, @local, @started, @started, @ends)`
	const sweep = `
		DELETE FROM session WHERE digest IN (
			SELECT digest FROM session WHERE ends_at <= @now ORDER BY ends_at LIMIT @swept FOR UPDATE SKIP LOCKED)`
	roles := n.Roles
	if roles == nil {
		roles = []string{}
	}
	return s.inTx(ctx, "start a session", func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, sweep, pgx.NamedArgs{"now": n.StartedAt, "swept": swept}); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, insert, pgx.NamedArgs{"digest": digest, "subject": n.Subject, "name": n.Name, "practitioner": n.Practitioner,
			"roles": roles, "local": n.Local, "started": n.StartedAt, "ends": n.EndsAt})
		return err
	})
}

// Session gives a session that has not ended by now and was used within idle; otherwise fault.NotFound. That it was used is noted to the
// minute, so that a page of many requests is one write.
func (s *Store) Session(ctx context.Context, digest []byte, now time.Time, idle time.Duration) (Session, error) {
	const read = `
		SELECT subject, name, practitioner, roles, local, started_at, ends_at, seen_at
		FROM session WHERE digest = @digest AND ends_at > @now AND seen_at > @since`
	const note = `UPDATE session SET seen_at = @now WHERE digest = @digest AND seen_at < @now`
	const what = "read a session"
	var n Session
	var seen time.Time
	err := s.pool.QueryRow(ctx, read, pgx.NamedArgs{"digest": digest, "now": now, "since": now.Add(-idle)}).
		Scan(&n.Subject, &n.Name, &n.Practitioner, &n.Roles, &n.Local, &n.StartedAt, &n.EndsAt, &seen)
	if err != nil {
		return Session{}, failed(what, err)
	}
	if now.Sub(seen) < min(time.Minute, idle/2) {
		return n, nil
	}
	_, err = s.pool.Exec(ctx, note, pgx.NamedArgs{"digest": digest, "now": now})
	return n, failed(what, err)
}

// EndSession forgets a session; one that is not there is no error.
func (s *Store) EndSession(ctx context.Context, digest []byte) error {
	const end = `DELETE FROM session WHERE digest = @digest`
	_, err := s.pool.Exec(ctx, end, pgx.NamedArgs{"digest": digest})
	return failed("end a session", err)
}

// FirstUse notes that a token of an issuer with an id has been used, until it is no good any more, and reports whether this was the
// first time on any replica. Some notes that are over go with each new one.
func (s *Store) FirstUse(ctx context.Context, issuer, id string, now, until time.Time) (bool, error) {
	const insert = `INSERT INTO token_used (digest, until) VALUES (@digest, @until) ON CONFLICT DO NOTHING`
	const sweep = `
		DELETE FROM token_used WHERE digest IN (
			SELECT digest FROM token_used WHERE until <= @now ORDER BY until LIMIT @swept FOR UPDATE SKIP LOCKED)`
	digest := sha256.Sum256(fmt.Appendf(nil, "%d|%s%s", len(issuer), issuer, id))
	first := false
	err := s.inTx(ctx, "note a token", func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, insert, pgx.NamedArgs{"digest": digest[:], "until": until})
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		first = true
		_, err = tx.Exec(ctx, sweep, pgx.NamedArgs{"now": now, "swept": swept})
		return err
	})
	return first && err == nil, err
}
