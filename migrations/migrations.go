// Package migrations brings a PostgreSQL database to the schema that this program needs: numbered SQL files and the
// queue's own schema, applied in order and once. Several replicas may start it at the same time. It must never change a
// migration that has been released, nor read or write patient data.
package migrations

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"log/slog"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed *.sql
var files embed.FS

// latest is the number of the newest migration; a test holds it against the list.
const latest = 13

// Latest gives the number of the newest migration in this program.
func Latest() int64 { return latest }

// Up applies what is missing and returns when the database stands at Latest or later. Where another replica is at work, Up
// waits for it (five minutes at most). It uses connections of its own, made with the settings of pool, so that
// any number of callers may share one pool of any size; afterwards it resets pool, whose connections may remember old types.
// A nil log is silent.
func Up(ctx context.Context, pool *pgxpool.Pool, log *slog.Logger) error {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return with(ctx, pool, func(p *goose.Provider) error {
		done, err := p.Up(ctx)
		for _, r := range done {
			log.InfoContext(ctx, "migration applied", "number", r.Source.Version, "took", r.Duration)
		}
		if err != nil {
			return fmt.Errorf("migrate: %w", err)
		}
		return nil
	})
}

// Version gives the number of the newest migration that the database has; 0 for an empty one. It changes nothing.
func Version(ctx context.Context, pool *pgxpool.Pool) (int64, error) {
	const tableExists = `SELECT to_regclass('goose_db_version') IS NOT NULL`
	const newest = `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`
	var exists bool
	if err := pool.QueryRow(ctx, tableExists).Scan(&exists); err != nil {
		return 0, fmt.Errorf("read schema version: %w", err)
	}
	if !exists {
		return 0, nil
	}
	var n int64
	if err := pool.QueryRow(ctx, newest).Scan(&n); err != nil {
		return 0, fmt.Errorf("read schema version: %w", err)
	}
	return n, nil
}

// with runs f with a provider on connections of its own and resets the caller's pool afterwards.
func with(ctx context.Context, pool *pgxpool.Pool, f func(*goose.Provider) error) error {
	config := pool.Config()
	config.MaxConns, config.MinConns, config.MinIdleConns = 4, 0, 0
	own, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	defer own.Close()
	db := stdlib.OpenDBFromPool(own)
	defer db.Close()
	p, err := provider(db, own)
	if err != nil {
		return err
	}
	defer pool.Reset()
	return f(p)
}

func provider(db *sql.DB, pool *pgxpool.Pool) (*goose.Provider, error) {
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
	if err != nil {
		return nil, fmt.Errorf("migrate: %w", err)
	}
	p, err := goose.NewProvider(goose.DialectPostgres, db, files,
		goose.WithSessionLocker(locker), goose.WithDisableGlobalRegistry(true), goose.WithGoMigrations(river(pool)))
	if err != nil {
		return nil, fmt.Errorf("migrate: %w", err)
	}
	return p, nil
}
