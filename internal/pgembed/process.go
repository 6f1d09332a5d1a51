package pgembed

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// process is a started program.
type process struct {
	cmd  *exec.Cmd
	log  *serverLog
	done chan struct{}
	err  error // Why it ended; may be read when done is closed.
}

// command prepares a program to run as the owner. The folder is always set: the
// caller's own may be closed to that user. The environment is a short list, so
// that neither PG* variables nor our own secrets reach the program.
func command(o owner, dir, program string, args ...string) *exec.Cmd {
	cmd := exec.Command(program, args...)
	cmd.Dir = dir
	cmd.Env = []string{"LC_ALL=C"}
	for _, name := range []string{"PATH", "TZ", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"} {
		if value, ok := os.LookupEnv(name); ok {
			cmd.Env = append(cmd.Env, name+"="+value)
		}
	}
	cmd.SysProcAttr = attributes(o.credential())
	// Children that outlive a killed program may keep its output open.
	cmd.WaitDelay = 2 * time.Second
	return cmd
}

// launch starts a program on an OS thread that lives until the program has
// ended. On Linux the program is signalled when that thread ends, so it must not
// be one that the Go runtime may give up earlier.
func launch(cmd *exec.Cmd) (*process, error) {
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		p.err = cmd.Wait()
		close(p.done)
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	return p, nil
}

func (p *process) pid() int { return p.cmd.Process.Pid }

// signal does nothing when the program has ended.
func (p *process) signal(s syscall.Signal) { _ = p.cmd.Process.Signal(s) }

func (p *process) endsWithin(ctx context.Context, d time.Duration) bool {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	select {
	case <-p.done:
		return true
	case <-ctx.Done():
		return false
	}
}

// run runs a program to its end and returns what it wrote on standard output.
// The error holds the last lines of its error output.
func run(ctx context.Context, cmd *exec.Cmd) (string, error) {
	var out bytes.Buffer
	errs := &serverLog{log: slog.New(slog.DiscardHandler)}
	cmd.Stdout, cmd.Stderr = &out, errs
	p, err := launch(cmd)
	if err != nil {
		return "", err
	}
	select {
	case <-p.done:
	case <-ctx.Done():
		p.signal(syscall.SIGTERM)
		if !p.endsWithin(context.WithoutCancel(ctx), 5*time.Second) {
			p.signal(syscall.SIGKILL)
			<-p.done
		}
		return "", ctx.Err()
	}
	if p.err != nil {
		return "", fmt.Errorf("%w: %s", p.err, errs.tail())
	}
	return out.String(), nil
}
