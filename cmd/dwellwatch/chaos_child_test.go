package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/tidwall/gjson"
)

// buildProgram builds the program as it ships and gives its path.
func buildProgram(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "dwellwatch")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-tags", "nomsgpack", "-o", path, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return path
}

// child is one running "dwellwatch serve" that is killed and started again. Each life shows the record another token, so
// that the proxy between them knows whose requests it holds.
type child struct {
	name, binary string
	env          []string
	life         int
	cmd          *exec.Cmd
	ended        chan struct{}
	log          *childLog

	mu      sync.Mutex
	address string // "" while it is down
}

// newChild gives a program that is not running yet.
func newChild(t *testing.T, name, binary string, settings map[string]string) *child {
	c := &child{name: name, binary: binary, env: []string{"PATH=" + os.Getenv("PATH"), "HOME=" + t.TempDir()}}
	for key, value := range settings {
		c.env = append(c.env, variablePrefix+key+"="+value)
	}
	t.Cleanup(func() {
		if c.cmd != nil {
			c.kill()
		}
		if c.log != nil && t.Failed() {
			t.Logf("%s said last:\n%s", c.who(), c.log.tail())
		}
	})
	return c
}

// who is the token of this life.
func (c *child) who() string { return fmt.Sprintf("%s-%d", c.name, c.life) }

// start runs it until it serves; a program that does not come up fails the test.
func (c *child) start(t *testing.T) {
	t.Helper()
	c.life++
	cmd := exec.Command(c.binary, "serve")
	cmd.Env = append(slices.Clone(c.env), "DWELLWATCH_RECORD_TOKEN="+c.who())
	cmd.Dir = t.TempDir()
	dieWithUs(cmd)
	log := &childLog{serving: make(chan string, 1)}
	cmd.Stderr = log
	started, ended := make(chan error), make(chan struct{})
	go func() {
		runtime.LockOSThread() // the program ends with the thread that started it
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		_ = cmd.Wait()
		close(ended)
	}()
	if err := <-started; err != nil {
		t.Fatal(err)
	}
	c.cmd, c.ended, c.log = cmd, ended, log
	select {
	case address := <-log.serving:
		c.setAddress(address)
	case <-ended:
		t.Fatalf("%s ended before it served:\n%s", c.who(), log.tail())
	case <-time.After(time.Minute):
		t.Fatalf("%s does not serve:\n%s", c.who(), log.tail())
	}
}

func (c *child) setAddress(a string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.address = a
}

func (c *child) door() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.address
}

// strike sends SIGKILL and does not wait.
func (c *child) strike() { _ = c.cmd.Process.Signal(syscall.SIGKILL) }

// kill sends SIGKILL and waits for the end.
func (c *child) kill() {
	c.setAddress("")
	c.strike()
	<-c.ended
}

// stop asks it to end and waits for the end.
func (c *child) stop() {
	c.setAddress("")
	_ = c.cmd.Process.Signal(syscall.SIGTERM)
	<-c.ended
}

// runs reports whether it has not ended by itself.
func (c *child) runs() bool {
	select {
	case <-c.ended:
		return false
	default:
		return true
	}
}

// childLog reads what a program logs: where it serves, and whether anything in it panicked.
type childLog struct {
	serving chan string

	mu       sync.Mutex
	rest     []byte
	lines    []string
	panicked bool
}

// Write takes the next bytes.
func (l *childLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.rest = append(l.rest, p...)
	for {
		line, rest, found := bytes.Cut(l.rest, []byte("\n"))
		if !found {
			return len(p), nil
		}
		if gjson.GetBytes(line, "msg").String() == "serving" {
			l.serving <- gjson.GetBytes(line, "address").String()
		}
		l.panicked = l.panicked || bytes.Contains(line, []byte("panic"))
		l.lines = append(l.lines, string(line))
		l.lines = l.lines[max(0, len(l.lines)-30):]
		l.rest = bytes.Clone(rest)
	}
}

func (l *childLog) tail() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	var b bytes.Buffer
	for _, line := range l.lines {
		fmt.Fprintln(&b, line)
	}
	return b.String()
}

func (l *childLog) sawPanic() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.panicked
}
