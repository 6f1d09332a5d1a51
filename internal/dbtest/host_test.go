package dbtest

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"dwellwatch/internal/pgembed"
)

// With a server given from outside everything is made there and nothing stays.
func TestGivenServer(t *testing.T) {
	given := URL(t)
	t.Setenv(urlVariable, given)
	migrated := ""
	h, err := open(t.Context(), func(_ context.Context, url string) error {
		migrated = url
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := withDatabase(given, h.template); migrated != want {
		t.Errorf("migrated %s, want %s", migrated, want)
	}
	if err := h.create(t.Context(), h.nextName(), h.template); err != nil {
		t.Error(err)
	}
	if diff := cmp.Diff([]string{h.prefix + "_1", h.template}, databases(t, given, h.prefix)); diff != "" {
		t.Errorf("databases made (-want +got):\n%s", diff)
	}
	if err := h.drop(t.Context(), h.prefix+"_1"); err != nil {
		t.Error(err)
	}
	if err := h.close(t.Context()); err != nil {
		t.Error(err)
	}
	if left := databases(t, given, h.prefix); len(left) != 0 {
		t.Errorf("databases left behind: %v", left)
	}
}

func databases(t *testing.T, url, prefix string) []string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	rows, err := conn.Query(t.Context(), `SELECT datname FROM pg_database WHERE starts_with(datname, $1) ORDER BY datname`, prefix)
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func TestFailedMigration(t *testing.T) {
	given := URL(t)
	t.Setenv(urlVariable, given)
	broken := errors.New("broken migration")
	prefix := ""
	_, err := open(t.Context(), func(_ context.Context, url string) error {
		config, err := pgxpool.ParseConfig(url)
		if err != nil {
			t.Error(err)
		}
		prefix = config.ConnConfig.Database
		return broken
	})
	if !errors.Is(err, broken) {
		t.Errorf("error = %v, want the migration's", err)
	}
	if left := databases(t, given, prefix); len(left) != 0 {
		t.Errorf("databases left behind: %v", left)
	}
}

func TestWithDatabase(t *testing.T) {
	t.Parallel()
	for dsn, want := range map[string]string{
		"postgres://u:p%40@h:1/old?sslmode=disable":    "postgres://u:p%40@h:1/new?sslmode=disable",
		"postgresql://u@/old?host=%2Frun&dbname=other": "postgresql://u@/new?host=%2Frun",
		"postgres://u@h": "postgres://u@h/new",
		"host=/run user=u dbname=old application_name=x": "host=/run user=u dbname=old application_name=x dbname=new",
	} {
		got := withDatabase(dsn, "new")
		if got != want {
			t.Errorf("withDatabase(%q) = %q, want %q", dsn, got, want)
		}
		config, err := pgx.ParseConfig(got)
		if err != nil {
			t.Errorf("%q: %v", got, err)
			continue
		}
		if config.Database != "new" {
			t.Errorf("%q connects to %q, want %q", got, config.Database, "new")
		}
	}
}

func TestRemoveAbandoned(t *testing.T) {
	t.Parallel()
	base, err := os.MkdirTemp("", "dwpgtest-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(base) })
	if err := os.Chmod(base, 0o711); err != nil {
		t.Fatal(err)
	}
	path := func(name string) string { return filepath.Join(base, name) }
	live, err := pgembed.Start(t.Context(), pgembed.Config{Dir: path(folderPrefix + "live")})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := live.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	for _, name := range []string{folderPrefix + "old", folderPrefix + "fresh", "foreign"} {
		if err := os.Mkdir(path(name), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	before := time.Now().Add(-time.Hour)
	for _, name := range []string{folderPrefix + "live", folderPrefix + "old", "foreign"} {
		if err := os.Chtimes(path(name), before, before); err != nil {
			t.Fatal(err)
		}
	}
	removeAbandoned(t.Context(), base)
	entries, err := os.ReadDir(base)
	if err != nil {
		t.Fatal(err)
	}
	var left []string
	for _, e := range entries {
		left = append(left, e.Name())
	}
	if diff := cmp.Diff([]string{folderPrefix + "fresh", folderPrefix + "live", "foreign"}, left); diff != "" {
		t.Errorf("folders left (-want +got):\n%s", diff)
	}
}
