package peertest

import (
	"os"
	"path/filepath"
	"testing"
)

// Examples gives the folder with HL7's example resources of FHIR R4, one file each, which testdata/examples/install.sh
// fetches. Where they are missing the test fails, or is skipped where that is wanted.
func Examples(t testing.TB) string {
	t.Helper()
	modules := filepath.Join(moduleRoot(t), "testdata", "examples", "node_modules")
	if _, err := os.Stat(filepath.Join(modules, ".package-lock.json")); err == nil {
		return filepath.Join(modules, "hl7.fhir.r4.examples")
	}
	if os.Getenv(skipVariable) == "1" {
		t.Skipf("peertest: skipped, HL7's examples are not installed and %s=1", skipVariable)
	}
	t.Fatalf("peertest: HL7's examples are not installed; run: make test-deps (or set %s=1 to skip)", skipVariable)
	return ""
}
