package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// RegisterBasis gives the number of the basis with this digest: the latest number where the digest is the latest registered,
// else a new one, higher than all before. Replicas that register the same basis at once get the same number.
func (s *Store) RegisterBasis(ctx context.Context, digest, policy string) (int64, error) {
	const lock = `LOCK TABLE basis IN SHARE ROW EXCLUSIVE MODE`
	const register = `
		WITH latest AS (SELECT number, digest FROM basis ORDER BY number DESC LIMIT 1),
		made AS (
			INSERT INTO basis (number, digest, policy)
			SELECT coalesce((SELECT number FROM latest), 0) + 1, @digest, @policy
			WHERE NOT EXISTS (SELECT FROM latest WHERE digest = @digest)
			RETURNING number)
		SELECT number FROM made UNION ALL SELECT number FROM latest WHERE digest = @digest`
	var number int64
	err := s.inTx(ctx, "register the basis", func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lock); err != nil {
			return err
		}
		return tx.QueryRow(ctx, register, pgx.NamedArgs{"digest": digest, "policy": policy}).Scan(&number)
	})
	return number, err
}
