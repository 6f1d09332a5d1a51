package pgembed_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/pgembed"
)

// folder returns a data root that does not exist yet, in a place that the
// server's user can reach. t.TempDir is closed to everybody but root.
func folder(t *testing.T) string {
	t.Helper()
	base, err := os.MkdirTemp("", "dwpgtest-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(base); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(base, 0o711); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(base, "root")
}

// start starts a cluster and stops it at the end of the test; a test may stop it
// before.
func start(t *testing.T, c pgembed.Config) *pgembed.Cluster {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cluster, err := pgembed.Start(ctx, c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(t, cluster) })
	return cluster
}

func stop(t *testing.T, c *pgembed.Cluster) {
	t.Helper()
	if err := c.Stop(context.Background()); err != nil {
		t.Error(err)
	}
}

func connect(ctx context.Context, t *testing.T, c *pgembed.Cluster) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(ctx, c.URL("postgres"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

const (
	makeNotes = `CREATE TABLE note (text text NOT NULL); INSERT INTO note (text) VALUES ('kept')`
	readNotes = `SELECT text FROM note`
)

func wantKept(t *testing.T, c *pgembed.Cluster) {
	t.Helper()
	var text string
	if err := connect(t.Context(), t, c).QueryRow(t.Context(), readNotes).Scan(&text); err != nil {
		t.Fatal(err)
	}
	if text != "kept" {
		t.Errorf("note = %q, want %q", text, "kept")
	}
}

func TestDataSurvivesARestart(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	for _, durable := range []bool{true, true, false} {
		first := start(t, pgembed.Config{Dir: dir, Durable: durable})
		conn := connect(t.Context(), t, first)
		if _, err := conn.Exec(t.Context(), `DROP TABLE IF EXISTS note; `+makeNotes); err != nil {
			t.Fatal(err)
		}
		stop(t, first)
		select {
		case <-first.Done():
		default:
			t.Error("Done is open after Stop")
		}
		second := start(t, pgembed.Config{Dir: dir, Durable: durable})
		wantKept(t, second)
		stop(t, second)
	}
}

func TestSettings(t *testing.T) {
	t.Parallel()
	conn := connect(t.Context(), t, start(t, pgembed.Config{Dir: folder(t), Durable: true}))
	for name, want := range map[string]string{
		"listen_addresses":        "",
		"unix_socket_permissions": "0700",
		"fsync":                   "on",
		"synchronous_commit":      "on",
		"full_page_writes":        "on",
		"data_checksums":          "on",
		"server_encoding":         "UTF8",
	} {
		var got string
		if err := conn.QueryRow(t.Context(), `SELECT current_setting($1)`, name).Scan(&got); err != nil {
			t.Fatal(err)
		}
		if got != want {
			t.Errorf("%s = %q, want %q", name, got, want)
		}
	}
	var dir string
	if err := conn.QueryRow(t.Context(), `SHOW unix_socket_directories`).Scan(&dir); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(dir)
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm() != 0o700 {
		t.Errorf("socket folder has mode %v, want 0700", info.Mode().Perm())
	}
}

func TestStopClosesOpenConnections(t *testing.T) {
	t.Parallel()
	cluster := start(t, pgembed.Config{Dir: folder(t)})
	conn := connect(t.Context(), t, cluster)
	stop(t, cluster)
	if err := conn.Ping(t.Context()); err == nil {
		t.Error("connection still works after Stop")
	}
}

// A stop without time is rough, says so, and loses no committed row.
func TestStopWithoutTime(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	cluster, err := pgembed.Start(t.Context(), pgembed.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := connect(t.Context(), t, cluster).Exec(t.Context(), makeNotes); err != nil {
		t.Fatal(err)
	}
	over, cancel := context.WithCancel(t.Context())
	cancel()
	if err := cluster.Stop(over); err == nil {
		t.Error("Stop with an ended context gave no error")
	}
	wantKept(t, start(t, pgembed.Config{Dir: dir}))
}

func TestStartInUse(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	first := start(t, pgembed.Config{Dir: dir})
	if _, err := pgembed.Start(t.Context(), pgembed.Config{Dir: dir}); !errors.Is(err, pgembed.ErrInUse) {
		t.Errorf("second Start: error = %v, want ErrInUse", err)
	}
	link := filepath.Join(filepath.Dir(dir), "link")
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	if _, err := pgembed.Start(t.Context(), pgembed.Config{Dir: link}); !errors.Is(err, pgembed.ErrInUse) {
		t.Errorf("second Start through a link: error = %v, want ErrInUse", err)
	}
	if err := pgembed.Remove(t.Context(), dir); !errors.Is(err, pgembed.ErrInUse) {
		t.Errorf("Remove: error = %v, want ErrInUse", err)
	}
	if err := connect(t.Context(), t, first).Ping(t.Context()); err != nil {
		t.Errorf("first cluster after the refused ones: %v", err)
	}
}

func TestRemove(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	stop(t, start(t, pgembed.Config{Dir: dir}))
	for range 2 {
		if err := pgembed.Remove(t.Context(), dir); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("data root after Remove: %v, want it gone", err)
		}
	}
}

func TestStartCancelled(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	for _, after := range []time.Duration{0, 150 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(t.Context(), after)
		if _, err := pgembed.Start(ctx, pgembed.Config{Dir: dir}); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Start within %v: error = %v, want that the time is over", after, err)
		}
		cancel()
		if _, err := os.Stat(filepath.Join(dir, "data")); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("data directory after a cancelled Start: %v, want none", err)
		}
	}
	start(t, pgembed.Config{Dir: dir})
}

func TestOtherMajorVersion(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	stop(t, start(t, pgembed.Config{Dir: dir}))
	file := filepath.Join(dir, "data", "PG_VERSION")
	made, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte("99\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = pgembed.Start(t.Context(), pgembed.Config{Dir: dir})
	if err == nil {
		t.Fatal("Start on the data of another version gave no error")
	}
	for _, want := range []string{"PostgreSQL 99", "version " + strings.TrimSpace(string(made))} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("error %q does not name %q", err, want)
		}
	}
}

// A data root below a folder that only root may enter is of no use to the user
// that root hands over to; anybody else may use it.
func TestClosedFolder(t *testing.T) {
	t.Parallel()
	base := filepath.Dir(folder(t))
	if err := os.Chmod(base, 0o700); err != nil {
		t.Fatal(err)
	}
	cluster, err := pgembed.Start(t.Context(), pgembed.Config{Dir: filepath.Join(base, "root")})
	if os.Geteuid() != 0 {
		if err != nil {
			t.Fatal(err)
		}
		stop(t, cluster)
		return
	}
	if err == nil || !strings.Contains(err.Error(), "cannot enter "+base) {
		t.Errorf("error = %v, want one that names the closed folder", err)
	}
}

func TestLogHoldsNoValues(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	logger := slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	cluster := start(t, pgembed.Config{Dir: folder(t), Log: logger})
	conn := connect(t.Context(), t, cluster)
	for _, sql := range []string{
		`SELECT 'private-1'::date`,
		`SELEC 'private-2'`,
		`CREATE TABLE once (word text PRIMARY KEY); INSERT INTO once (word) VALUES ('private-3'), ('private-3')`,
		`DO $$ BEGIN RAISE WARNING 'private-4'; RAISE LOG 'marker' USING DETAIL = 'private-6'; RAISE EXCEPTION 'private-5'; END $$`,
	} {
		if _, err := conn.Exec(t.Context(), sql); err == nil {
			t.Errorf("statement %q gave no error", sql)
		}
	}
	stop(t, cluster)
	if !strings.Contains(log.String(), "marker") {
		t.Errorf("log misses what the server logs:\n%s", log.String())
	}
	if strings.Contains(log.String(), "private-") {
		t.Errorf("log holds a value:\n%s", log.String())
	}
}

// The environment of the caller must not bend the server or the connection.
func TestForeignEnvironment(t *testing.T) {
	for name, value := range map[string]string{
		"PGPORT": "6000", "PGHOST": "/nowhere", "PGDATABASE": "other", "PGUSER": "other",
		"PGSSLMODE": "verify-full", "PGDATA": "/nowhere", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8",
	} {
		t.Setenv(name, value)
	}
	cluster := start(t, pgembed.Config{Dir: folder(t)})
	var who, where string
	const sql = `SELECT current_user, current_database()`
	if err := connect(t.Context(), t, cluster).QueryRow(t.Context(), sql).Scan(&who, &where); err != nil {
		t.Fatal(err)
	}
	if who != "dwellwatch" || where != "postgres" {
		t.Errorf("connected as %s to %s, want dwellwatch to postgres", who, where)
	}
}

func TestLongPath(t *testing.T) {
	base := filepath.Dir(folder(t))
	long := base
	for len(long) < 120 {
		long = filepath.Join(long, strings.Repeat("d", 40))
	}

	t.Run("short temporary place", func(t *testing.T) {
		if err := os.MkdirAll(long, 0o755); err != nil {
			t.Fatal(err)
		}
		dir := filepath.Join(long, `a,b "c" %20?&`)
		stop(t, start(t, pgembed.Config{Dir: dir}))
		cluster := start(t, pgembed.Config{Dir: dir})
		if err := connect(t.Context(), t, cluster).Ping(t.Context()); err != nil {
			t.Error(err)
		}
	})

	t.Run("long temporary place", func(t *testing.T) {
		t.Setenv("TMPDIR", long)
		dir := filepath.Join(long, "root")
		_, err := pgembed.Start(t.Context(), pgembed.Config{Dir: dir})
		if err == nil || !strings.Contains(err.Error(), "bytes long, the system allows") {
			t.Errorf("error = %v, want one about the socket path", err)
		}
		if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("data root after the refusal: %v, want none", err)
		}
	})
}

func TestNoPrograms(t *testing.T) {
	t.Setenv("DWELLWATCH_PG_BIN", t.TempDir())
	_, err := pgembed.Programs()
	_, startErr := pgembed.Start(t.Context(), pgembed.Config{Dir: folder(t)})
	for _, err := range []error{err, startErr} {
		if !errors.Is(err, pgembed.ErrNoPrograms) {
			t.Fatalf("error = %v, want ErrNoPrograms", err)
		}
		text := err.Error()
		if strings.Contains(text, "\n") {
			t.Errorf("error has more than one line: %q", text)
		}
		for _, want := range []string{"apt-get install postgresql", "dnf install", "brew install", "npm install", "DWELLWATCH_PG_BIN"} {
			if !strings.Contains(text, want) {
				t.Errorf("error %q does not name %q", text, want)
			}
		}
	}
}

func ExampleStart() {
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "dwpgexample-")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	if err := os.Chmod(dir, 0o711); err != nil {
		fmt.Println(err)
		return
	}
	cluster, err := pgembed.Start(ctx, pgembed.Config{Dir: dir})
	if err != nil {
		fmt.Println(err)
		return
	}
	conn, err := pgx.Connect(ctx, cluster.URL("postgres"))
	if err != nil {
		fmt.Println(err)
		return
	}
	var database string
	err = conn.QueryRow(ctx, `SELECT current_database()`).Scan(&database)
	fmt.Println(database, err, conn.Close(ctx), cluster.Stop(ctx))
	// Output: postgres <nil> <nil> <nil>
}
