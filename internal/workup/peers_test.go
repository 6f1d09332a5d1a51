package workup

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// peer finds a program that reads PDF files independently of the library that wrote them. Where it is missing the test
// fails with a hint, unless the variable DWELLWATCH_SKIP_PEERS is 1.
func peer(t *testing.T, name, debian string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("DWELLWATCH_SKIP_PEERS") == "1" {
		t.Skipf("%s is not installed", name)
	}
	t.Fatalf("%s is not installed: install the package %s, or set DWELLWATCH_SKIP_PEERS=1", name, debian)
	return ""
}

// run writes the document to a file and gives what a peer prints about it; the last argument is the file's path.
func run(t *testing.T, program string, doc []byte, args ...string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "workup.pdf")
	if err := os.WriteFile(file, doc, 0o600); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "FILE" {
			args[i] = file
		}
	}
	out, err := exec.Command(program, args...).Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("%s: %v\n%s%s", program, err, out, exit.Stderr)
		}
		t.Fatalf("%s: %v", program, err)
	}
	return string(out)
}
