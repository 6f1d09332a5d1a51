package peertest

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Browser gives the path of a Chromium that a test can drive. Where there is none the test fails, or is skipped where that is
// wanted.
func Browser(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv(skipVariable) == "1" {
		t.Skipf("peertest: skipped, there is no Chromium and %s=1", skipVariable)
	}
	t.Fatalf("peertest: there is no Chromium; run: make test-deps (or set %s=1 to skip)", skipVariable)
	return ""
}

// Axe gives the script of axe-core, which looks for what keeps people from using a page.
func Axe(t testing.TB) string {
	t.Helper()
	dir := peerFolder(moduleRoot(t))
	needNodeModules(t, dir)
	script, err := os.ReadFile(filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		t.Fatal("peertest: axe-core is not installed; run: make test-deps:", err)
	}
	return string(script)
}
