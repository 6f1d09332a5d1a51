// Package peertest runs a FHIR server that others wrote beside a test, and judges resources by validators that others
// wrote, so that what this project sends is checked by more than its own opinion.
//
// The server lives in testdata/peer: the in-memory FHIR router of @medplum/fhir-router behind plain HTTP, with bad
// habits that a test can switch on. Each Start is a process of its own, ready in 1.2 s on two idle cores (most of it
// is reading HL7's definitions), so tests need not share one; at the end of the test it is killed.
//
// The package is for tests only and must never be imported by code that ships. It never stands in for the server:
// a missing peer fails the test, unless DWELLWATCH_SKIP_PEERS=1 says that the skip is wanted.
package peertest

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

const (
	skipVariable = "DWELLWATCH_SKIP_PEERS"
	readyPrefix  = "listening "
	readyTimeout = time.Minute // 50 times the usual, for a machine busy with other tests
	stopTimeout  = 5 * time.Second
)

// Peer is a running server.
type Peer struct {
	// BaseURL is the FHIR base, without a slash at the end.
	BaseURL string

	token  string
	client *http.Client
}

// Option changes how the peer starts.
type Option func(*options)

type options struct {
	habits map[string]any
	token  string
}

// WithHabits switches bad habits on from the start; see testdata/peer/habits.mjs for their names.
func WithHabits(habits map[string]any) Option {
	return func(o *options) { o.habits = habits }
}

// WithToken makes the peer answer 401 to FHIR requests without this bearer token. The methods of Peer send it.
func WithToken(token string) Option {
	return func(o *options) { o.token = token }
}

// Start runs a peer until the test ends. It is empty and has no bad habits unless the options say so.
func Start(t testing.TB, opts ...Option) *Peer {
	t.Helper()
	var o options
	for _, opt := range opts {
		opt(&o)
	}
	root := moduleRoot(t)
	dir := peerFolder(root)
	needNodeModules(t, dir)
	habits, err := json.Marshal(o.habits)
	if err != nil {
		t.Fatal("peertest: habits:", err)
	}
	if o.habits == nil {
		habits = []byte("{}")
	}

	cmd := exec.Command(node(dir), "server.mjs")
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "PORT=0", "PEER_HABITS="+string(habits), "PEER_TOKEN="+o.token)
	var stderr lockedBuffer
	cmd.Stderr = &stderr
	stdin, err := cmd.StdinPipe() // the peer exits when this closes, also when the test process is killed
	if err != nil {
		t.Fatal("peertest:", err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal("peertest:", err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("peertest: start the peer: %v (to install what it needs: make test-deps)", err)
	}
	// Wait closes stdout, so it comes after the reader has seen the end of it.
	lines, exited := make(chan string, 1), make(chan error, 1)
	go func() {
		readLines(stdout, lines)
		exited <- cmd.Wait()
	}()
	t.Cleanup(func() {
		stdin.Close()
		select {
		case <-exited:
		case <-time.After(stopTimeout):
			cmd.Process.Kill()
			<-exited
		}
		if t.Failed() && stderr.String() != "" {
			t.Logf("peertest: the peer said: %s", stderr.String())
		}
	})

	timeout := time.NewTimer(readyTimeout)
	defer timeout.Stop()
	select {
	case line, ok := <-lines:
		base, found := strings.CutPrefix(line, readyPrefix)
		if !ok || !found {
			t.Fatalf("peertest: the peer did not start, it printed %q", line)
		}
		client := &http.Client{Timeout: readyTimeout, Transport: &http.Transport{}}
		t.Cleanup(client.CloseIdleConnections)
		return &Peer{BaseURL: base, token: o.token, client: client}
	case <-timeout.C:
		t.Fatalf("peertest: the peer was not ready after %s", readyTimeout)
	}
	return nil
}

// readLines sends the first line and reads on to the end, so that the peer never blocks on its output.
func readLines(r io.Reader, lines chan<- string) {
	defer close(lines)
	scanner := bufio.NewScanner(r)
	if scanner.Scan() {
		lines <- scanner.Text()
	}
	io.Copy(io.Discard, r)
}

// node is the Node that testdata/peer/install.sh fetched where the system's is too old, else the system's.
func node(dir string) string {
	fetched := filepath.Join(dir, ".node", "node")
	if _, err := os.Stat(fetched); err == nil {
		return fetched
	}
	return "node"
}

// needNodeModules ends the test if the peer's packages are not installed: as a failure, or as a skip where that is
// wanted.
func needNodeModules(t testing.TB, dir string) {
	t.Helper()
	if _, err := os.Stat(filepath.Join(dir, "node_modules", ".package-lock.json")); err == nil {
		return
	}
	if os.Getenv(skipVariable) == "1" {
		t.Skipf("peertest: skipped, the peer's packages are not installed and %s=1", skipVariable)
	}
	t.Fatalf("peertest: the peer's packages are not installed; run: make test-deps (or set %s=1 to skip)", skipVariable)
}

// moduleRoot is the folder with go.mod, at or above the folder of the running test.
func moduleRoot(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal("peertest:", err)
	}
	root, err := rootAbove(dir)
	if err != nil {
		t.Fatal("peertest:", err)
	}
	return root
}

func rootAbove(dir string) (string, error) {
	for at := dir; ; at = filepath.Dir(at) {
		if _, err := os.Stat(filepath.Join(at, "go.mod")); err == nil {
			return at, nil
		}
		if at == filepath.Dir(at) {
			return "", fmt.Errorf("no go.mod at or above the test's folder")
		}
	}
}

// lockedBuffer collects what the process writes while the test may read it.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.TrimSpace(b.buf.String())
}

func peerFolder(root string) string {
	return filepath.Join(root, "testdata", "peer")
}
