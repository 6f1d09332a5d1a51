package migrations

import (
	"context"
	"database/sql"
	"fmt"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
)

// riverSchema is the version of the queue's own schema that migration 2 brings. It is pinned: a later queue release with a
// newer schema is a new numbered migration here, never a change of this number.
const riverSchema = 8

// river gives migration 2. River's migrator is not safe for several replicas at once, so it runs while the session lock
// is held. It needs a connection beside the one that holds the lock, which is why pool must allow at least two.
func river(pool *pgxpool.Pool) *goose.Migration {
	run := func(direction rivermigrate.Direction, target int) *goose.GoFunc {
		return &goose.GoFunc{RunDB: func(ctx context.Context, _ *sql.DB) error {
			m, err := rivermigrate.New(riverpgxv5.New(pool), nil)
			if err != nil {
				return fmt.Errorf("queue schema: %w", err)
			}
			if _, err := m.Migrate(ctx, direction, &rivermigrate.MigrateOpts{TargetVersion: target}); err != nil {
				return fmt.Errorf("queue schema: %w", err)
			}
			return nil
		}}
	}
	return goose.NewGoMigration(2, run(rivermigrate.DirectionUp, riverSchema), run(rivermigrate.DirectionDown, -1))
}
