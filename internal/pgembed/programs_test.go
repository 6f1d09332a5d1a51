package pgembed

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// install makes a folder with programs that only tell a version.
func install(t *testing.T, base, name, version string) string {
	t.Helper()
	dir := filepath.Join(base, name, "bin")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, program := range []string{"initdb", "postgres"} {
		script := fmt.Sprintf("#!/bin/sh\necho '%s'\n", version)
		if err := os.WriteFile(filepath.Join(dir, program), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func openFolder(t *testing.T) string {
	t.Helper()
	base, err := os.MkdirTemp("", "dwpgtest-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(base) })
	if err := os.Chmod(base, 0o711); err != nil {
		t.Fatal(err)
	}
	resolved, err := filepath.EvalSymlinks(base)
	if err != nil {
		t.Fatal(err)
	}
	return resolved
}

// The tests that write and run scripts are not parallel: a process forked by
// another test at the wrong moment would hold a script open ("text file busy").
func TestSearchOrder(t *testing.T) {
	o, err := newOwner()
	if err != nil {
		t.Fatal(err)
	}
	base := openFolder(t)
	install(t, base, "a", "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)")
	install(t, base, "b", "postgres (PostgreSQL) 17.9")
	install(t, base, "c", "postgres (PostgreSQL) 17.10")
	install(t, base, "d", "postgres (PostgreSQL) 18beta1")
	install(t, base, "e", "postgres (PostgreSQL) 13.22")
	install(t, base, "f", "something else")
	noInitdb := install(t, base, "g", "postgres (PostgreSQL) 19.1")
	if err := os.Remove(filepath.Join(noInitdb, "initdb")); err != nil {
		t.Fatal(err)
	}
	notExecutable := install(t, base, "h", "postgres (PostgreSQL) 19.1")
	if err := os.Chmod(filepath.Join(notExecutable, "postgres"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(base, "b"), filepath.Join(base, "i")); err != nil {
		t.Fatal(err)
	}

	found, err := search(t.Context(), []string{filepath.Join(base, "*", "bin"), filepath.Join(base, "none", "*")}, o)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range found {
		name, err := filepath.Rel(base, p.dir)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, fmt.Sprintf("%s %d.%d", name, p.major, p.minor))
	}
	want := []string{"d/bin 18.0", "c/bin 17.10", "b/bin 17.9", "a/bin 15.18"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("programs found (-want +got):\n%s", diff)
	}

	p, err := matching(found, 17, "data")
	if err != nil || p.minor != 10 {
		t.Errorf("programs for data of 17 = %v (%v), want 17.10", p, err)
	}
	if _, err := matching(found, 16, "data"); err == nil || !strings.Contains(err.Error(), "PostgreSQL 16, ") {
		t.Errorf("programs for data of 16: error = %v, want one that names 16", err)
	}
}

func TestSearchTellsWhyNot(t *testing.T) {
	o, err := newOwner()
	if err != nil {
		t.Fatal(err)
	}
	base := openFolder(t)
	old := install(t, base, "old", "postgres (PostgreSQL) 13.22")
	broken := install(t, base, "broken", "")
	script := "#!/bin/sh\necho 'library missing' >&2\nexit 127\n"
	if err := os.WriteFile(filepath.Join(broken, "postgres"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	_, err = search(t.Context(), []string{old, broken}, o)
	if !errors.Is(err, ErrNoPrograms) {
		t.Fatalf("error = %v, want ErrNoPrograms", err)
	}
	for _, want := range []string{"version 13 is too old", "library missing", howToInstall} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("error %q does not say %q", err, want)
		}
	}
}

func TestProgramsIsUsable(t *testing.T) {
	t.Parallel()
	dir, err := Programs()
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"initdb", "postgres"} {
		if !executable(filepath.Join(dir, name)) {
			t.Errorf("%s in %s is not executable", name, dir)
		}
	}
}

// A program gets what it needs from the environment and nothing else: no
// setting of PostgreSQL's own and no secret of ours.
func TestEnvironmentOfPrograms(t *testing.T) {
	for name, value := range map[string]string{
		"PATH": "/bin", "TZ": "UTC", "LD_LIBRARY_PATH": "/lib", "DYLD_LIBRARY_PATH": "/lib",
		"LC_ALL": "de_DE.UTF-8", "PGDATA": "/nowhere", "DWELLWATCH_RECORD_TOKEN": "secret",
	} {
		t.Setenv(name, value)
	}
	want := []string{"LC_ALL=C", "PATH=/bin", "TZ=UTC", "LD_LIBRARY_PATH=/lib", "DYLD_LIBRARY_PATH=/lib"}
	if diff := cmp.Diff(want, command(owner{}, "/", "true").Env); diff != "" {
		t.Errorf("environment (-want +got):\n%s", diff)
	}
}

// settle must take away a postmaster.pid that PostgreSQL would misread, and no
// other.
func TestSettleStalePidFile(t *testing.T) {
	t.Parallel()
	stranger, err := launch(command(owner{}, "/", "sleep", "60"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stranger.signal(syscall.SIGKILL); <-stranger.done })
	gone, err := launch(command(owner{}, "/", "true"))
	if err != nil {
		t.Fatal(err)
	}
	<-gone.done
	zombie := exec.Command("true")
	if err := zombie.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = zombie.Wait() })

	for _, c := range []struct {
		name string
		pid  int
		kept bool
	}{
		{"a stranger has the number", stranger.pid(), false},
		{"a zombie has the number", zombie.Process.Pid, false},
		{"nobody has the number", gone.pid(), true},
	} {
		data := t.TempDir()
		if err := os.WriteFile(pidPath(data), fmt.Appendf(nil, "%d\n%s\n", c.pid, data), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := settle(t.Context(), data, time.Second); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		_, err := os.Stat(pidPath(data))
		if kept := err == nil; kept != c.kept {
			t.Errorf("%s: file kept = %v, want %v", c.name, kept, c.kept)
		}
	}
	if !stranger.endsWithin(t.Context(), 0) {
		return
	}
	t.Error("the stranger was stopped")
}

func TestSettleGivesUp(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	// A process that works in the data directory and ignores the interrupt.
	stubborn, err := launch(command(owner{}, data, "sh", "-c", "trap '' INT; echo x > ready; sleep 60; # "+data))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = syscall.Kill(-stubborn.pid(), syscall.SIGKILL)
		<-stubborn.done
	})
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(filepath.Join(data, "ready")); err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the stubborn process did not begin")
		}
	}
	if err := os.WriteFile(pidPath(data), fmt.Appendf(nil, "%d\n", stubborn.pid()), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := settle(t.Context(), data, 200*time.Millisecond); err == nil {
		t.Error("settle beside a server that does not stop gave no error")
	}
	if _, err := os.Stat(pidPath(data)); err != nil {
		t.Errorf("its postmaster.pid: %v, want it kept", err)
	}
}

func TestZombie(t *testing.T) {
	t.Parallel()
	for stat, want := range map[string]bool{
		"12 (postgres) S 1 12 12":     false,
		"12 (postgres) Z 1 12 12":     true,
		"12 (odd) Z (name) S 1 12 12": false,
		"12 (odd) S (name) Z 1 12 12": true,
		"":                            false,
	} {
		if got := zombie(stat); got != want {
			t.Errorf("zombie(%q) = %v, want %v", stat, got, want)
		}
	}
}
