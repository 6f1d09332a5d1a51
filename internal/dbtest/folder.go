package dbtest

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"dwellwatch/internal/pgembed"
)

const (
	folderPrefix = "dwdbtest-"
	// memoryNeeded is how much must be free in /dev/shm. A new cluster takes
	// about 50 MB, a database about 8 MB more.
	memoryNeeded = 200 << 20
	// abandonedAfter protects a folder that another process just made and has
	// not locked yet.
	abandonedAfter = time.Minute
)

// temporaryPlace prefers memory to disk. Copying a template there takes a
// fraction of the time.
func temporaryPlace() string {
	const memory = "/dev/shm"
	var fs syscall.Statfs_t
	if err := syscall.Statfs(memory, &fs); err != nil {
		return os.TempDir()
	}
	if fs.Bavail*uint64(fs.Bsize) < memoryNeeded {
		return os.TempDir()
	}
	return memory
}

// removeAbandoned deletes the folders of test processes that were killed. Those
// in use are locked, and pgembed refuses to remove them; those of other users
// stay as well.
func removeAbandoned(ctx context.Context, base string) {
	entries, err := os.ReadDir(base)
	if err != nil {
		return
	}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !e.IsDir() || !strings.HasPrefix(e.Name(), folderPrefix) || time.Since(info.ModTime()) < abandonedAfter {
			continue
		}
		_ = pgembed.Remove(ctx, filepath.Join(base, e.Name()))
	}
}
