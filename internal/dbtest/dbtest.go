// Package dbtest gives each test a PostgreSQL database of its own.
//
// The databases are copies of a template that is migrated once per test process.
// They live on a private server that is started at the first use and stopped by
// Run, or on the server that $DWELLWATCH_TEST_DATABASE_URL names.
//
// It is for tests only and must never be imported by code that ships. It never
// touches a database that it did not make.
package dbtest

import (
	"context"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
)

// urlVariable names a server to use instead of a private one. Its user must be
// allowed to create databases.
const urlVariable = "DWELLWATCH_TEST_DATABASE_URL"

// Migrate brings the empty database behind a connection string to the state that
// every test starts from. All its connections are closed when it returns.
type Migrate func(ctx context.Context, url string) error

// process is what the tests of one process share. It is the one package variable
// that changes: a testing.TB is all that New gets, so there is no other place.
var process struct {
	migrate Migrate
	once    sync.Once
	host    *host
	err     error
}

// Run runs the tests of a package and then stops the server. TestMain calls it:
//
//	func TestMain(m *testing.M) { os.Exit(dbtest.Run(m, migrate)) }
//
// A nil migrate leaves the databases empty, and so does a package that does not
// call Run; its server ends with the process.
func Run(m *testing.M, migrate Migrate) int {
	process.migrate = migrate
	code := m.Run()
	if process.host == nil {
		return code
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := process.host.close(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "dbtest:", err)
		return max(code, 1)
	}
	return code
}

// New returns a pool of at most 8 connections on a fresh database. The test must
// have given all connections back when it ends; then the pool is closed and the
// database dropped.
func New(t testing.TB) *pgxpool.Pool {
	t.Helper()
	config, err := pgxpool.ParseConfig(URL(t))
	if err != nil {
		t.Fatal("dbtest:", err)
	}
	config.MaxConns = 8
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal("dbtest:", err)
	}
	t.Cleanup(func() { closePool(t, pool) })
	return pool
}

// URL returns the connection string of a fresh database, which is dropped when
// the test ends, whoever is still connected.
func URL(t testing.TB) string {
	t.Helper()
	process.once.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
		defer cancel()
		process.host, process.err = open(ctx, process.migrate)
	})
	if process.err != nil {
		t.Fatal("dbtest:", process.err)
	}
	h := process.host
	name := h.nextName()
	if err := h.create(t.Context(), name, h.template); err != nil {
		t.Fatal("dbtest:", err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := h.drop(ctx, name); err != nil {
			t.Error("dbtest:", err)
		}
	})
	return h.url(name)
}

// closePool reports a connection that was not given back, where Close alone
// would wait for it forever.
func closePool(t testing.TB, pool *pgxpool.Pool) {
	t.Helper()
	closed := make(chan struct{})
	go func() {
		pool.Close()
		close(closed)
	}()
	select {
	case <-closed:
	case <-time.After(10 * time.Second):
		t.Error("dbtest: a connection was not given back to the pool within 10 seconds")
	}
}
