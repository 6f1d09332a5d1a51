package pgembed_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/pgembed"
)

// childVariable makes the test binary play the process that gets killed. Its
// value is the data root.
const childVariable = "DWELLWATCH_TEST_PGEMBED_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childVariable); dir != "" {
		if err := child(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// child starts a cluster, writes a row, says so and waits to be killed.
func child(dir string) error {
	ctx := context.Background()
	fmt.Println("starting")
	cluster, err := pgembed.Start(ctx, pgembed.Config{Dir: dir})
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, cluster.URL("postgres"))
	if err != nil {
		return err
	}
	if _, err := conn.Exec(ctx, makeNotes); err != nil {
		return err
	}
	fmt.Println("written")
	<-cluster.Done()
	return errors.New("server ended first")
}

// startChild returns a child that has reached the given line.
func startChild(t *testing.T, dir, line string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childVariable+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if cmd.ProcessState == nil {
			kill(t, cmd)
		}
	})
	scanner := bufio.NewScanner(out)
	for scanner.Scan() {
		if scanner.Text() == line {
			return cmd
		}
	}
	t.Fatalf("child ended before %q", line)
	return nil
}

func kill(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	if err := cmd.Process.Kill(); err != nil {
		t.Error(err)
	}
	var exit *exec.ExitError
	if err := cmd.Wait(); !errors.As(err, &exit) {
		t.Errorf("killed child: %v", err)
	}
}

// serverPid returns the number of the server's main process.
func serverPid(t *testing.T, dir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

func TestKilledProcess(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	cmd := startChild(t, dir, "written")
	if _, err := pgembed.Start(t.Context(), pgembed.Config{Dir: dir}); !errors.Is(err, pgembed.ErrInUse) {
		t.Errorf("Start beside a running process: error = %v, want ErrInUse", err)
	}
	kill(t, cmd)
	wantKept(t, start(t, pgembed.Config{Dir: dir}))
}

// The whole of a container or a service's control group may be killed at once;
// and the killed server may stay a zombie where nobody reaps it.
func TestKilledProcessAndServer(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	cmd := startChild(t, dir, "written")
	if err := syscall.Kill(cmd.Process.Pid, syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(serverPid(t, dir), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	kill(t, cmd)
	wantKept(t, start(t, pgembed.Config{Dir: dir}))
}

func TestKilledServer(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	cluster, err := pgembed.Start(t.Context(), pgembed.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := connect(t.Context(), t, cluster).Exec(t.Context(), makeNotes); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(serverPid(t, dir), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	select {
	case <-cluster.Done():
	case <-time.After(10 * time.Second):
		t.Fatal("Done stays open after the server was killed")
	}
	if err := cluster.Stop(t.Context()); err == nil {
		t.Error("Stop of a killed server gave no error")
	}
	wantKept(t, start(t, pgembed.Config{Dir: dir}))
}

func TestKilledWhileInitialising(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	cmd := startChild(t, dir, "starting")
	waitFor(t, "initdb to begin", func() bool {
		version, err := filepath.Glob(filepath.Join(dir, "data.new-*", "PG_VERSION"))
		return err == nil && len(version) == 1
	})
	kill(t, cmd)
	if _, err := os.Stat(filepath.Join(dir, "data")); !errors.Is(err, os.ErrNotExist) {
		t.Fatalf("data directory after a kill during initdb: %v, want none", err)
	}
	cluster := start(t, pgembed.Config{Dir: dir})
	if err := connect(t.Context(), t, cluster).Ping(t.Context()); err != nil {
		t.Error(err)
	}
	rest, err := filepath.Glob(filepath.Join(dir, "data.new-*"))
	if err != nil || len(rest) != 0 {
		t.Errorf("unfinished data directories after the next start: %v (%v), want none", rest, err)
	}
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited 20 seconds for %s", what)
		}
	}
}
