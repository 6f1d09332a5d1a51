package pgembed_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// On Linux the server shuts down by itself, and cleanly, when its process is
// killed, also when nobody starts again.
func TestServerEndsWithItsProcess(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	kill(t, startChild(t, dir, "written"))
	waitFor(t, "the server to remove postmaster.pid", func() bool {
		_, err := os.Stat(filepath.Join(dir, "data", "postmaster.pid"))
		return errors.Is(err, os.ErrNotExist)
	})
}
