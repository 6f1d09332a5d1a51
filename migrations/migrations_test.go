package migrations

import (
	"context"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
	"golang.org/x/sync/errgroup"

	"dwellwatch/internal/dbtest"
)

// TestMain leaves the databases empty: applying the migrations is what is tested.
func TestMain(m *testing.M) { os.Exit(dbtest.Run(m, nil)) }

func TestFiveReplicasStartAtOnce(t *testing.T) {
	t.Parallel()
	url := dbtest.URL(t)
	var group errgroup.Group
	for range 5 {
		group.Go(func() error {
			pool, err := pgxpool.New(t.Context(), url)
			if err != nil {
				return err
			}
			defer pool.Close()
			return Up(t.Context(), pool, nil)
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	pool := open(t, url, 2)
	wantVersion(t, pool, Latest())
	const applied = `SELECT version_id FROM goose_db_version ORDER BY id`
	if diff := cmp.Diff([]int64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13}, collect[int64](t, pool, applied)); diff != "" {
		t.Errorf("migrations applied (-want +got):\n%s", diff)
	}
}

func TestFiveCallersShareAPoolOfOneConnection(t *testing.T) {
	t.Parallel()
	pool := open(t, dbtest.URL(t), 1)
	var group errgroup.Group
	for range 5 {
		group.Go(func() error { return Up(t.Context(), pool, nil) })
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	wantVersion(t, pool, Latest())
}

func TestVersionOfAnEmptyDatabase(t *testing.T) {
	t.Parallel()
	pool := open(t, dbtest.URL(t), 1)
	wantVersion(t, pool, 0)
	if got := tables(t, pool); len(got) != 0 {
		t.Errorf("asking for the version made tables: %v", got)
	}
}

func TestDownLeavesNothing(t *testing.T) {
	t.Parallel()
	pool := open(t, dbtest.URL(t), 2)
	if err := Up(t.Context(), pool, nil); err != nil {
		t.Fatal(err)
	}
	before := tables(t, pool)
	if !slices.Contains(before, "resource") || !slices.Contains(before, "river_job") {
		t.Fatalf("tables after Up: %v", before)
	}
	down := func(p *goose.Provider) error {
		_, err := p.DownTo(t.Context(), 0)
		return err
	}
	if err := with(t.Context(), pool, down); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"goose_db_version"}, tables(t, pool)); diff != "" {
		t.Errorf("tables after Down (-want +got):\n%s", diff)
	}
	if err := Up(t.Context(), pool, nil); err != nil {
		t.Fatalf("Up after Down: %v", err)
	}
	if diff := cmp.Diff(before, tables(t, pool)); diff != "" {
		t.Errorf("tables after Down and Up (-want +got):\n%s", diff)
	}
}

func TestNumbersHaveNoGap(t *testing.T) {
	t.Parallel()
	var numbers []int64
	err := with(t.Context(), open(t, dbtest.URL(t), 1), func(p *goose.Provider) error {
		for _, s := range p.ListSources() {
			numbers = append(numbers, s.Version)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range numbers {
		if n != int64(i+1) {
			t.Errorf("migration %d of the list has number %d", i+1, n)
		}
	}
	if int64(len(numbers)) != Latest() {
		t.Errorf("%d migrations, but Latest is %d", len(numbers), Latest())
	}
}

func TestEachFileGoesUpAndDown(t *testing.T) {
	t.Parallel()
	names, err := fs.Glob(files, "*.sql")
	if err != nil || len(names) == 0 {
		t.Fatalf("no SQL files: %v", err)
	}
	for _, name := range names {
		body, err := fs.ReadFile(files, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, mark := range []string{"-- +goose Up\n", "-- +goose Down\n"} {
			if strings.Count(string(body), mark) != 1 {
				t.Errorf("%s: want %q once", name, mark)
			}
		}
	}
}

// TestQueueSchemaIsTheNewest fails when the queue library in go.mod has a schema version that no migration brings.
func TestQueueSchemaIsTheNewest(t *testing.T) {
	t.Parallel()
	pool := open(t, dbtest.URL(t), 2)
	if err := Up(t.Context(), pool, nil); err != nil {
		t.Fatal(err)
	}
	m, err := rivermigrate.New(riverpgxv5.New(pool), nil)
	if err != nil {
		t.Fatal(err)
	}
	all := m.AllVersions()
	if newest := all[len(all)-1].Version; newest != riverSchema {
		t.Errorf("the queue library knows schema %d, the migrations bring %d", newest, riverSchema)
	}
	result, err := m.Validate(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if !result.OK {
		t.Errorf("queue schema: %v", result.Messages)
	}
}

func open(t *testing.T, url string, connections int32) *pgxpool.Pool {
	t.Helper()
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	config.MaxConns = connections
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

func wantVersion(t *testing.T, pool *pgxpool.Pool, want int64) {
	t.Helper()
	got, err := Version(context.Background(), pool)
	if err != nil {
		t.Fatal(err)
	}
	if got != want {
		t.Errorf("schema version %d, want %d", got, want)
	}
}

func tables(t *testing.T, pool *pgxpool.Pool) []string {
	t.Helper()
	return collect[string](t, pool, `SELECT tablename::text FROM pg_tables WHERE schemaname = 'public' ORDER BY tablename`)
}

func collect[T any](t *testing.T, pool *pgxpool.Pool, sql string) []T {
	t.Helper()
	rows, err := pool.Query(t.Context(), sql)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[T])
	if err != nil {
		t.Fatal(err)
	}
	return list
}
