package pgembed

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// pidFile is what postmaster.pid says. Its lines are listed in PostgreSQL's
// source, src/include/utils/pidfile.h: 1 process, 2 data directory, 3 start,
// 4 port, 5 socket directory, 6 address, 7 shared memory, 8 status.
type pidFile struct {
	pid   int
	ready bool
}

func readPidFile(data string) (pidFile, bool) {
	text, err := os.ReadFile(pidPath(data))
	if err != nil {
		return pidFile{}, false
	}
	lines := strings.Split(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(lines[0]))
	if err != nil || pid == 0 {
		return pidFile{}, false
	}
	if pid < 0 {
		pid = -pid // A server in single-user mode marks itself by the sign.
	}
	return pidFile{pid: pid, ready: len(lines) >= 8 && strings.TrimSpace(lines[7]) == "ready"}, true
}

func pidPath(data string) string { return filepath.Join(data, "postmaster.pid") }

// settle returns when no server runs on the data directory. The caller holds the
// lock, so a server found here was left by a process that is gone; it is told to
// stop, because only Linux tells it when its parent dies.
//
// A stale postmaster.pid is left for PostgreSQL to judge, except where
// PostgreSQL would be wrong: it takes any process of that number for the old
// server, also a zombie that nobody reaps or a stranger that got the number.
func settle(ctx context.Context, data string, patience time.Duration) error {
	deadline := time.Now().Add(patience)
	told := false
	for {
		pf, ok := readPidFile(data)
		if !ok {
			return nil
		}
		if !serves(ctx, pf.pid, data) {
			if syscall.Kill(pf.pid, 0) == nil {
				return removeFile(pidPath(data))
			}
			return nil
		}
		if !told {
			_ = syscall.Kill(pf.pid, syscall.SIGINT) // If it is gone already, the next round sees it.
			told = true
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("server process %d of an earlier run does not stop", pf.pid)
		}
		if err := pause(ctx, 50*time.Millisecond); err != nil {
			return err
		}
	}
}

func removeFile(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("remove a stale file: %w", err)
	}
	return nil
}

// serves reports whether the process is alive and a server of the data
// directory. A zombie is not alive. PostgreSQL's main process works in its data
// directory, which tells it from a stranger with the same number.
func serves(ctx context.Context, pid int, data string) bool {
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	if _, err := os.Stat("/proc/self/stat"); err == nil {
		stat, err := os.ReadFile(filepath.Join(proc, "stat"))
		if err != nil || zombie(string(stat)) {
			return false
		}
		cwd, err := os.Stat(filepath.Join(proc, "cwd"))
		if err != nil {
			return false
		}
		dir, err := os.Stat(data)
		return err == nil && os.SameFile(cwd, dir)
	}
	o := owner{uid: os.Geteuid()}
	out, err := run(ctx, command(o, "/", "ps", "-o", "stat=,command=", "-p", strconv.Itoa(pid)))
	line := strings.TrimSpace(out)
	return err == nil && line != "" && !strings.HasPrefix(line, "Z") && strings.Contains(line, data)
}

// zombie reads the state in /proc/PID/stat, the field after the command's name
// in brackets (proc(5)). The name may hold brackets itself.
func zombie(stat string) bool {
	rest := stat[strings.LastIndex(stat, ")")+1:]
	fields := strings.Fields(rest)
	return len(fields) > 0 && (fields[0] == "Z" || fields[0] == "X")
}

// pause sleeps, or returns the context's error when that ends first.
func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
