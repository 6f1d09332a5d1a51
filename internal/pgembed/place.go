package pgembed

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
)

// socketPort is only a part of the socket's file name.
const socketPort = "5432"

// dataRoot returns the absolute data root. It makes nothing.
func dataRoot(dir string) (string, error) {
	if dir != "" {
		return filepath.Abs(dir)
	}
	if os.Geteuid() == 0 {
		return "/var/lib/dwellwatch/postgres", nil
	}
	if base := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(base) {
		return filepath.Join(base, "dwellwatch", "postgres"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for the data: %w", err)
	}
	return filepath.Join(home, ".local", "share", "dwellwatch", "postgres"), nil
}

// lock is the right to use a data root. The kernel takes it back when the
// process ends in any way, which is what tells a running user of the data root
// from one that was killed.
type lock struct {
	root string
	file *os.File
}

// holdRoot makes the data root and locks it. The error is ErrInUse when another
// process holds it. lock.root is the root without symbolic links.
//
// As root the data root belongs to root and may only be crossed by others: the
// server's user owns the folders inside, never their parent.
func holdRoot(dir string) (*lock, error) {
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	mode := fs.FileMode(0o700)
	if os.Geteuid() == 0 {
		mode = 0o711
	}
	for {
		err := os.Mkdir(dir, mode)
		if err == nil {
			err = os.Chmod(dir, mode) // The umask may have taken bits away.
		}
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return nil, fmt.Errorf("data folder: %w", err)
		}
		root, err := filepath.EvalSymlinks(dir)
		if err != nil {
			return nil, fmt.Errorf("data folder: %w", err)
		}
		l, err := takeLock(root)
		if err != nil {
			return nil, err
		}
		if l.current() {
			return l, nil
		}
		l.release() // Remove took the folder away between open and lock.
	}
}

func takeLock(root string) (*lock, error) {
	f, err := os.OpenFile(filepath.Join(root, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock: %w", err)
	}
	for {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EINTR) {
			break
		}
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		f.Close()
		return nil, fmt.Errorf("%w: %s", ErrInUse, root)
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock: %w", err)
	}
	return &lock{root: root, file: f}, nil
}

// current reports whether the locked file is still the one in the folder.
func (l *lock) current() bool {
	mine, err := l.file.Stat()
	if err != nil {
		return false
	}
	there, err := os.Stat(l.file.Name())
	return err == nil && os.SameFile(mine, there)
}

// release unlocks by name, not by closing alone: a child that was just forked
// may still hold a copy of the file.
func (l *lock) release() {
	_ = syscall.Flock(int(l.file.Fd()), syscall.LOCK_UN)
	_ = l.file.Close()
}

func removeRoot(ctx context.Context, dir string) error {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	l, err := holdRoot(dir)
	if err != nil {
		return err
	}
	defer l.release()
	if err := settle(ctx, filepath.Join(l.root, "data"), leftoverPatience); err != nil {
		return err
	}
	return os.RemoveAll(l.root)
}

// socketDir returns the folder for the socket: inside the data root where the
// path fits, else a folder in the temporary place that is named after the root.
// The kernel takes socket paths of at most 107 bytes (Linux, unix(7)) or 103
// (macOS, sys/un.h). It makes nothing.
func socketDir(root string, o owner) (string, error) {
	limit := 103
	if runtime.GOOS == "linux" {
		limit = 107
	}
	sum := sha256.Sum256([]byte(root))
	name := fmt.Sprintf("dwpg-%d-%s", o.uid, hex.EncodeToString(sum[:6]))
	inside, outside := filepath.Join(root, "run"), filepath.Join(os.TempDir(), name)
	for _, dir := range []string{inside, outside} {
		// PostgreSQL reads the folder as a comma-separated list with quotes.
		if len(socketFile(dir)) <= limit && !strings.ContainsAny(dir, `,"`) {
			return dir, nil
		}
	}
	return "", fmt.Errorf("socket path %s is %d bytes long, the system allows %d: choose a data folder with a shorter path",
		socketFile(inside), len(socketFile(inside)), limit)
}

func socketFile(dir string) string { return filepath.Join(dir, ".s.PGSQL."+socketPort) }

// makeSocketDir makes an empty socket folder that only the server's user may
// enter. What a killed server left in it is removed first: its lock file there
// would stop the new server when the old process number is in use again.
func (c *Cluster) makeSocketDir() error {
	dir, err := socketDir(c.root, c.owner)
	if err != nil {
		return err
	}
	info, err := os.Lstat(dir)
	if err == nil && (!info.IsDir() || int(info.Sys().(*syscall.Stat_t).Uid) != c.owner.uid) {
		return fmt.Errorf("socket folder %s belongs to somebody else", dir)
	}
	if err := os.RemoveAll(dir); err != nil {
		return fmt.Errorf("socket folder: %w", err)
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		return fmt.Errorf("socket folder: %w", err)
	}
	c.socket = dir
	if err := c.owner.give(dir); err != nil {
		return fmt.Errorf("socket folder: %w", err)
	}
	return nil
}

func (c *Cluster) removeSocketDir() {
	if c.socket == "" {
		return
	}
	if err := os.RemoveAll(c.socket); err != nil {
		c.log.Warn("socket folder stays", "error", err)
	}
}
