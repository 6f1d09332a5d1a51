// Package pgembed runs a private PostgreSQL server for one dwellwatch process,
// from server programs that are already installed on the machine.
//
// The server listens on a Unix socket in a folder that only its own user may
// enter, never on the network. It is stopped with the process that started it,
// and its data stays for the next start.
//
// It must never download programs, never listen on TCP, never touch a
// PostgreSQL cluster that it did not make, and never write what the server logs
// about statements or values, because those may hold patient data.
package pgembed

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

const (
	superuser = "dwellwatch"

	// leftoverPatience is how long Start waits for the server of an earlier,
	// killed process to finish its shutdown.
	leftoverPatience = 10 * time.Second
	// fastPatience is how long Stop waits for a fast shutdown. The final
	// checkpoint has to fit in.
	fastPatience = 30 * time.Second
	// immediatePatience is how long Stop waits after an immediate shutdown.
	// PostgreSQL itself kills its children 5 seconds after that signal.
	immediatePatience = 10 * time.Second
)

// ErrInUse means that another running process holds the data root.
var ErrInUse = errors.New("data folder is in use by another running dwellwatch")

// Config says where the cluster lives and how careful it is.
type Config struct {
	// Dir is the data root. Empty means the default place: as root
	// /var/lib/dwellwatch/postgres, else $XDG_DATA_HOME/dwellwatch/postgres or
	// ~/.local/share/dwellwatch/postgres. It is made when missing. As root, the
	// user that the server runs as must be able to enter it.
	Dir string
	// Bin is the folder of the server programs. Empty means $DWELLWATCH_PG_BIN or else the newest of the usual places.
	Bin string
	// Durable syncs to disk and keeps checksums. False is for tests only: data
	// may be lost or damaged when the machine stops.
	Durable bool
	// Log receives the server's own messages. Nil discards them.
	Log *slog.Logger
}

// Cluster is a running server.
type Cluster struct {
	root    string
	data    string
	socket  string
	durable bool
	log     *slog.Logger
	owner   owner
	lock    *lock
	server  *process

	stop    sync.Once
	stopped error
}

// Start starts the cluster under c.Dir, making it first when there is none, and
// returns when it accepts connections. The context bounds the start only; the
// server runs until Stop or until this process ends.
//
// The error is ErrNoPrograms when no server programs are installed and ErrInUse
// when another running process holds the data root. A server that an earlier,
// killed process left behind on this data root is shut down first.
func Start(ctx context.Context, c Config) (*Cluster, error) {
	log := c.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	root, err := dataRoot(c.Dir)
	if err != nil {
		return nil, fmt.Errorf("pgembed: %w", err)
	}
	data := filepath.Join(root, "data")
	o, err := ownerOf(data)
	if err != nil {
		return nil, fmt.Errorf("pgembed: %w", err)
	}
	found, err := search(ctx, places(ctx, o, c.Bin), o)
	if err != nil {
		return nil, fmt.Errorf("pgembed: %w", err)
	}
	if _, err := socketDir(root, o); err != nil {
		return nil, fmt.Errorf("pgembed: %w", err)
	}
	held, err := holdRoot(root)
	if err != nil {
		return nil, fmt.Errorf("pgembed: %w", err)
	}
	cl := &Cluster{root: held.root, data: filepath.Join(held.root, "data"), durable: c.Durable, log: log, owner: o, lock: held}
	if err := cl.open(ctx, found); err != nil {
		cl.removeSocketDir()
		held.release()
		return nil, fmt.Errorf("pgembed: %w", err)
	}
	return cl, nil
}

// open does the part of Start that needs the lock.
func (c *Cluster) open(ctx context.Context, found []programs) error {
	made, err := dataMajor(c.data)
	if err != nil {
		return err
	}
	p := found[0]
	if made != 0 {
		if p, err = matching(found, made, c.data); err != nil {
			return err
		}
	}
	if made == 0 {
		if err := c.initialise(ctx, p); err != nil {
			return err
		}
	}
	deadline := time.Now().Add(leftoverPatience)
	for {
		if err := settle(ctx, c.data, time.Until(deadline)); err != nil {
			return err
		}
		if err := c.makeSocketDir(); err != nil {
			return err
		}
		err := c.serve(ctx, p)
		if !errors.Is(err, errContested) || time.Now().After(deadline) {
			return err
		}
		if err := pause(ctx, 200*time.Millisecond); err != nil {
			return err
		}
	}
}

// URL returns a connection string for one database of the cluster. A new
// cluster holds the database "postgres".
func (c *Cluster) URL(database string) string {
	q := url.Values{"host": {c.socket}, "port": {socketPort}, "sslmode": {"disable"}}
	u := url.URL{Scheme: "postgres", User: url.User(superuser), Path: "/" + database, RawQuery: q.Encode()}
	return u.String()
}

// Done is closed when the server has ended, be it by Stop or by itself.
func (c *Cluster) Done() <-chan struct{} { return c.server.done }

// Stop shuts the server down: open connections are closed and the data is
// brought to disk. If that takes longer than 30 seconds or than ctx allows, the
// server is stopped at once, which loses nothing committed but makes the next
// start recover; the error says so. Later calls return the first result.
func (c *Cluster) Stop(ctx context.Context) error {
	c.stop.Do(func() {
		if err := c.shutdown(ctx); err != nil {
			c.stopped = fmt.Errorf("pgembed: %w", err)
		}
	})
	return c.stopped
}

func (c *Cluster) shutdown(ctx context.Context) error {
	select {
	case <-c.server.done:
		c.free()
		cause := c.server.err
		if cause == nil {
			cause = errors.New("exit status 0")
		}
		return fmt.Errorf("server ended by itself (%w): %s", cause, c.server.log.tail())
	default:
	}
	c.server.signal(syscall.SIGINT)
	if c.server.endsWithin(ctx, fastPatience) {
		c.free()
		if c.server.err != nil {
			return fmt.Errorf("server failed while stopping (%w): %s", c.server.err, c.server.log.tail())
		}
		return nil
	}
	c.server.signal(syscall.SIGQUIT)
	if !c.server.endsWithin(context.WithoutCancel(ctx), immediatePatience) {
		return fmt.Errorf("server process %d does not stop", c.server.pid())
	}
	c.free()
	return errors.New("server did not stop in time and was stopped at once; the next start will recover")
}

func (c *Cluster) free() {
	c.removeSocketDir()
	c.lock.release()
}

// Remove deletes a data root with everything in it. The error is ErrInUse when a
// running process holds it; a folder that does not exist is no error.
func Remove(ctx context.Context, dir string) error {
	root, err := dataRoot(dir)
	if err != nil {
		return fmt.Errorf("pgembed: %w", err)
	}
	if err := removeRoot(ctx, root); err != nil {
		return fmt.Errorf("pgembed: remove: %w", err)
	}
	return nil
}
