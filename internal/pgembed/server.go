package pgembed

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"time"
)

// errContested means that the server did not start because PostgreSQL saw
// remains of an earlier one that is about to go.
var errContested = errors.New("an earlier server still holds the data directory")

// serve starts the server and waits until it accepts connections.
func (c *Cluster) serve(ctx context.Context, p programs) error {
	cmd := command(c.owner, c.data, p.path("postgres"), c.arguments()...)
	log := &serverLog{log: c.log}
	cmd.Stdout, cmd.Stderr = log, log
	server, err := launch(cmd)
	if err != nil {
		return fmt.Errorf("start the server: %w", c.explain(err))
	}
	server.log = log
	c.server = server
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		if pf, ok := readPidFile(c.data); ok && pf.pid == server.pid() && pf.ready {
			return nil
		}
		select {
		case <-tick.C:
		case <-server.done:
			return startError(server)
		case <-ctx.Done():
			server.signal(syscall.SIGQUIT)
			<-server.done
			return fmt.Errorf("start the server: %w", ctx.Err())
		}
	}
}

func startError(server *process) error {
	tail := server.log.tail()
	kind := errors.New("server did not start")
	// These are the two interlocks of PostgreSQL, one on postmaster.pid and one
	// on the shared memory of backends that outlived their parent.
	for _, sign := range []string{"already exists", "pre-existing shared memory block"} {
		if strings.Contains(tail, sign) {
			kind = errContested
		}
	}
	return fmt.Errorf("%w (%v): %s", kind, server.err, tail) //nolint:errorlint // it may have ended without an error
}

// arguments are given on the command line, where they win over any file in the
// data directory. Errors of statements are kept out of the server's log, and
// details, contexts and statements out of what remains: they hold values.
func (c *Cluster) arguments() []string {
	settings := []string{
		"listen_addresses=",
		"port=" + socketPort,
		"unix_socket_permissions=0700",
		"logging_collector=off",
		"log_destination=stderr",
		"log_line_prefix=",
		"log_min_messages=log",
		"log_min_error_statement=panic",
		"log_error_verbosity=terse",
		"log_statement=none",
		"lc_messages=C",
	}
	if !c.durable {
		// Commits still wait for the write to the system, which costs little
		// without a sync: a killed server loses nothing, only a dead machine does.
		settings = append(settings,
			"fsync=off",
			"full_page_writes=off",
			"wal_level=minimal",
			"max_wal_senders=0",
			"max_connections=300",
		)
	}
	args := []string{"-D", c.data, "-k", c.socket}
	for _, s := range settings {
		args = append(args, "-c", s)
	}
	return args
}
