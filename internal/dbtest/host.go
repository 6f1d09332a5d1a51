package dbtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"sync/atomic"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"dwellwatch/internal/pgembed"
)

// host is the server that holds the databases of one test process.
type host struct {
	admin    *pgxpool.Pool
	url      func(database string) string
	prefix   string
	template string
	copying  string
	count    atomic.Int64
	stop     func(context.Context) error
}

// open starts or joins the server and makes the template.
func open(ctx context.Context, migrate Migrate) (*host, error) {
	h, err := join(ctx)
	if err != nil {
		return nil, err
	}
	if err := h.prepare(ctx, migrate); err != nil {
		return nil, errors.Join(err, h.close(ctx))
	}
	return h, nil
}

func join(ctx context.Context) (*host, error) {
	// The random part keeps processes apart that share one server.
	h := &host{prefix: "dwtest_" + strings.ToLower(rand.Text()[:12]), stop: func(context.Context) error { return nil }}
	own := os.Getenv(urlVariable)
	if own != "" {
		h.url = func(database string) string { return withDatabase(own, database) }
	} else {
		cluster, stop, err := startCluster(ctx)
		if err != nil {
			return nil, err
		}
		h.url, h.stop = cluster.URL, stop
		own = cluster.URL("postgres")
	}
	config, err := pgxpool.ParseConfig(own)
	if err != nil {
		return nil, errors.Join(err, h.stop(ctx))
	}
	config.MaxConns = 4
	if h.admin, err = pgxpool.NewWithConfig(ctx, config); err != nil {
		return nil, errors.Join(err, h.stop(ctx))
	}
	return h, nil
}

func (h *host) prepare(ctx context.Context, migrate Migrate) error {
	const versionSQL = `SELECT current_setting('server_version_num')::int`
	var version int
	if err := h.admin.QueryRow(ctx, versionSQL).Scan(&version); err != nil {
		return fmt.Errorf("server version: %w", err)
	}
	// Copying files is several times faster than the default of PostgreSQL 15
	// and later, which writes each page to the log; earlier ones always copy.
	if version >= 150000 {
		h.copying = " STRATEGY file_copy"
	}
	template := h.prefix + "_template"
	if err := h.create(ctx, template, "template0"); err != nil {
		return err
	}
	h.template = template
	if migrate == nil {
		return nil
	}
	if err := migrate(ctx, h.url(template)); err != nil {
		return fmt.Errorf("migrate the template: %w", err)
	}
	return nil
}

// close drops the template and stops the server if it is ours.
func (h *host) close(ctx context.Context) error {
	var err error
	if h.template != "" {
		err = h.drop(ctx, h.template)
	}
	h.admin.Close()
	return errors.Join(err, h.stop(ctx))
}

func (h *host) nextName() string {
	return fmt.Sprintf("%s_%d", h.prefix, h.count.Add(1))
}

// create and drop take names that this package made. A database name cannot be a
// parameter of these statements.
func (h *host) create(ctx context.Context, name, template string) error {
	sql := `CREATE DATABASE ` + quoted(name) + ` TEMPLATE ` + quoted(template) + h.copying
	if _, err := h.admin.Exec(ctx, sql); err != nil {
		return fmt.Errorf("create database %s: %w", name, err)
	}
	return nil
}

func (h *host) drop(ctx context.Context, name string) error {
	if _, err := h.admin.Exec(ctx, `DROP DATABASE `+quoted(name)+` WITH (FORCE)`); err != nil {
		return fmt.Errorf("drop database %s: %w", name, err)
	}
	return nil
}

func quoted(name string) string { return pgx.Identifier{name}.Sanitize() }

// withDatabase changes the database in a connection string of either form, URL
// or keywords. In the latter the last word on a keyword counts.
func withDatabase(dsn, database string) string {
	if !strings.HasPrefix(dsn, "postgres://") && !strings.HasPrefix(dsn, "postgresql://") {
		return dsn + " dbname=" + database
	}
	u, err := url.Parse(dsn)
	if err != nil {
		return dsn // Connecting with it fails and says why.
	}
	q := u.Query()
	q.Del("dbname")
	q.Del("database")
	u.RawQuery = q.Encode()
	u.Path = "/" + database
	return u.String()
}

// startCluster starts a private server in a temporary folder. The returned
// function stops it and removes the folder.
func startCluster(ctx context.Context) (*pgembed.Cluster, func(context.Context) error, error) {
	base := temporaryPlace()
	removeAbandoned(ctx, base)
	dir, err := os.MkdirTemp(base, folderPrefix)
	if err != nil {
		return nil, nil, fmt.Errorf("folder for the server: %w", err)
	}
	// The server may run as another user, who has to pass through.
	if err := os.Chmod(dir, 0o711); err != nil {
		return nil, nil, fmt.Errorf("folder for the server: %w", err)
	}
	cluster, err := pgembed.Start(ctx, pgembed.Config{Dir: dir})
	if err != nil {
		return nil, nil, errors.Join(err, os.RemoveAll(dir))
	}
	stop := func(ctx context.Context) error {
		return errors.Join(cluster.Stop(ctx), pgembed.Remove(ctx, dir))
	}
	return cluster, stop, nil
}
