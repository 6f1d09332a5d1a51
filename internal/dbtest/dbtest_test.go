package dbtest_test

import (
	"context"
	"errors"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"dwellwatch/internal/dbtest"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Run(m, migrate)) }

func migrate(ctx context.Context, url string) (err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	_, err = conn.Exec(ctx, `CREATE TABLE note (text text NOT NULL); INSERT INTO note (text) VALUES ('from the template')`)
	return err
}

func TestFirstSeesOnlyItsOwn(t *testing.T) {
	t.Parallel()
	wantOwnWordOnly(t, "of the first")
}

func TestSecondSeesOnlyItsOwn(t *testing.T) {
	t.Parallel()
	wantOwnWordOnly(t, "of the second")
}

func wantOwnWordOnly(t *testing.T, word string) {
	t.Helper()
	one, other := dbtest.New(t), dbtest.New(t)
	if _, err := one.Exec(t.Context(), `INSERT INTO note (text) VALUES ($1)`, word); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"from the template", word}, notes(t, one)); diff != "" {
		t.Errorf("notes in the database written to (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"from the template"}, notes(t, other)); diff != "" {
		t.Errorf("notes in another database (-want +got):\n%s", diff)
	}
}

func notes(t *testing.T, pool *pgxpool.Pool) []string {
	t.Helper()
	rows, err := pool.Query(t.Context(), `SELECT text FROM note ORDER BY text`)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestPoolSize(t *testing.T) {
	t.Parallel()
	if got := dbtest.New(t).Config().MaxConns; got != 8 {
		t.Errorf("pool has at most %d connections, want 8", got)
	}
}

func TestDatabaseGoesWithItsTest(t *testing.T) {
	t.Parallel()
	var name string
	t.Run("inner", func(t *testing.T) {
		name = dbtest.New(t).Config().ConnConfig.Database
		// A connection of the test's own does not keep the database.
		if _, err := pgx.Connect(t.Context(), dbtest.URL(t)); err != nil {
			t.Fatal(err)
		}
	})
	const sql = `SELECT count(*) FROM pg_database WHERE datname = $1`
	var left int
	if err := dbtest.New(t).QueryRow(t.Context(), sql, name).Scan(&left); err != nil {
		t.Fatal(err)
	}
	if left != 0 {
		t.Errorf("database %s is still there after its test", name)
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		dbtest.URL(b)
	}
}
