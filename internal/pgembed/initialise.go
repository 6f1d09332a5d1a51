package pgembed

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// unfinished is how the name of a data directory starts while initdb fills it.
const unfinished = "data.new-"

// dataMajor returns the major version that made the data directory, or 0 when
// there is none yet.
func dataMajor(data string) (int, error) {
	if _, err := os.Stat(data); errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	text, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if err != nil {
		return 0, fmt.Errorf("%s is no PostgreSQL data directory: %w", data, err)
	}
	whole, _, _ := strings.Cut(strings.TrimSpace(string(text)), ".")
	major, err := strconv.Atoi(whole)
	if err != nil || major <= 0 {
		return 0, fmt.Errorf("%s is no PostgreSQL data directory: version %q", data, strings.TrimSpace(string(text)))
	}
	return major, nil
}

// initialise makes the data directory. initdb works in a sibling that gets its
// final name when it is complete, so a process killed half-way leaves nothing
// that looks finished; what it does leave is removed here.
func (c *Cluster) initialise(ctx context.Context, p programs) error {
	if err := c.removeUnfinished(ctx); err != nil {
		return err
	}
	fresh, err := os.MkdirTemp(c.root, unfinished)
	if err != nil {
		return fmt.Errorf("new data directory: %w", err)
	}
	if err := c.fill(ctx, p, fresh); err != nil {
		return errors.Join(err, os.RemoveAll(fresh))
	}
	if err := os.Rename(fresh, c.data); err != nil {
		return errors.Join(fmt.Errorf("new data directory: %w", err), os.RemoveAll(fresh))
	}
	if c.durable {
		return syncDir(c.root)
	}
	return nil
}

func (c *Cluster) fill(ctx context.Context, p programs, fresh string) error {
	if err := c.owner.give(fresh); err != nil {
		return fmt.Errorf("new data directory: %w", err)
	}
	args := []string{
		"--pgdata=" + fresh,
		"--username=" + superuser,
		"--encoding=UTF8",
		"--no-locale",
		"--auth-local=trust", // The socket folder lets nobody else in.
		"--auth-host=reject",
	}
	if c.durable {
		args = append(args, "--data-checksums")
	} else {
		args = append(args, "--no-sync")
	}
	if _, err := run(ctx, command(c.owner, fresh, p.path("initdb"), args...)); err != nil {
		return fmt.Errorf("make the data directory: %w", c.explain(err))
	}
	return nil
}

// removeUnfinished removes what a killed process left half made. The programs
// that initdb had started end a moment after it and write until then, so a
// folder that fills while it is being emptied is tried again.
func (c *Cluster) removeUnfinished(ctx context.Context) error {
	entries, err := os.ReadDir(c.root)
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	deadline := time.Now().Add(leftoverPatience)
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), unfinished) {
			continue
		}
		for {
			err := os.RemoveAll(filepath.Join(c.root, e.Name()))
			if err == nil {
				break
			}
			if !errors.Is(err, syscall.ENOTEMPTY) || time.Now().After(deadline) {
				return fmt.Errorf("remove an unfinished data directory: %w", err)
			}
			if err := pause(ctx, 50*time.Millisecond); err != nil {
				return err
			}
		}
	}
	return nil
}

// explain replaces the system's misleading text for a working directory that
// the server's user may not enter: it names the program, which was run before
// and is fine.
func (c *Cluster) explain(err error) error {
	if !c.owner.drop || !errors.Is(err, fs.ErrPermission) {
		return err
	}
	return fmt.Errorf("%s, which the server runs as, cannot enter %s: choose a data folder that is open to that user: %w",
		c.owner.name, c.root, fs.ErrPermission)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("sync the data folder: %w", err)
	}
	defer d.Close()
	if err := d.Sync(); err != nil {
		return fmt.Errorf("sync the data folder: %w", err)
	}
	return nil
}
