package peertest

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
)

// validator builds the validator if it is missing, once per process. See hl7Schema on package variables.
var validator = sync.OnceValues(buildValidator)

type program struct {
	path  string
	built bool
}

// buildValidator puts the program in place by a rename, since test processes of other packages may do the same.
func buildValidator() (program, error) {
	dir, err := os.Getwd()
	if err != nil {
		return program{}, err
	}
	root, err := rootAbove(dir)
	if err != nil {
		return program{}, err
	}
	path := filepath.Join(root, ".tools", "fhirvalidate")
	if _, err := os.Stat(path); err == nil {
		return program{path: path}, nil
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return program{}, err
	}
	unfinished := fmt.Sprintf("%s.%d", path, os.Getpid())
	defer os.Remove(unfinished)
	cmd := exec.Command("go", "build", "-o", unfinished, ".")
	cmd.Dir = filepath.Join(root, "tools", "fhirvalidate")
	if output, err := cmd.CombinedOutput(); err != nil {
		return program{}, fmt.Errorf("%w: %s", err, output)
	}
	return program{path: path, built: true}, os.Rename(unfinished, path)
}

// GoogleFHIRErrors asks the validator of github.com/google/fhir/go about each resource and returns the faults of each,
// in the same order; none for a valid one. It uses .tools/fhirvalidate, which `make test-deps` builds, and builds it
// (over a minute) where it is missing. A binary older than its source is used as it is.
func GoogleFHIRErrors(t testing.TB, resources ...json.RawMessage) [][]string {
	t.Helper()
	p, err := validator()
	if err != nil {
		t.Fatal("peertest: build tools/fhirvalidate:", err)
	}
	if p.built {
		t.Log("peertest: built .tools/fhirvalidate, since `make test-deps` had not")
	}
	var input, output, stderr bytes.Buffer
	for i, resource := range resources {
		if err := json.Compact(&input, resource); err != nil {
			t.Fatalf("peertest: resource %d: %v", i, err)
		}
		input.WriteByte('\n')
	}
	cmd := exec.Command(p.path)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &input, &output, &stderr
	err = cmd.Run()
	var exit *exec.ExitError
	if err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 1) { // 1 says that a resource is invalid
		t.Fatalf("peertest: fhirvalidate: %v: %s", err, stderr.String())
	}
	faults := make([][]string, 0, len(resources))
	for decoder := json.NewDecoder(&output); decoder.More(); {
		var line struct {
			Errors []string `json:"errors"`
		}
		if err := decoder.Decode(&line); err != nil {
			t.Fatal("peertest: fhirvalidate:", err)
		}
		faults = append(faults, line.Errors)
	}
	if len(faults) != len(resources) {
		t.Fatalf("peertest: fhirvalidate answered %d of %d resources", len(faults), len(resources))
	}
	return faults
}
