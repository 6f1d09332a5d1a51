package postgres

import (
	"context"
	"crypto/rand"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Installation gives the identity of this installation, which is made at the first call on a new database and never changes.
func (s *Store) Installation(ctx context.Context) (uuid.UUID, error) {
	who, err := s.whoami(ctx)
	if err != nil {
		return uuid.UUID{}, err
	}
	return who.id, nil
}

func (s *Store) whoami(ctx context.Context) (*identity, error) {
	if who := s.identity.Load(); who != nil {
		return who, nil
	}
	id, err := uuid.NewRandom()
	if err != nil {
		return nil, fmt.Errorf("make the installation: %w", err)
	}
	key := make([]byte, 32)
	rand.Read(key) // never fails: https://pkg.go.dev/crypto/rand#Read
	const insert = `INSERT INTO installation (id, hash_key) VALUES (@id, @key) ON CONFLICT (only_one) DO NOTHING`
	if _, err := s.pool.Exec(ctx, insert, pgx.NamedArgs{"id": id.String(), "key": key}); err != nil {
		return nil, failed("make the installation", err)
	}
	const read = `SELECT id::text, hash_key FROM installation`
	var text string
	who := &identity{}
	if err := s.pool.QueryRow(ctx, read).Scan(&text, &who.hashKey); err != nil {
		return nil, failed("read the installation", err)
	}
	if who.id, err = uuid.Parse(text); err != nil {
		return nil, fmt.Errorf("read the installation: %w", err)
	}
	s.identity.Store(who)
	return who, nil
}
