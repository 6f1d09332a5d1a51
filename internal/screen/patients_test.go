package screen

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestPatients finds whom unreadable bytes name.
func TestPatients(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		`{"subject":{"reference":"Patient/a-1"},`:                {"a-1"},
		`https://record.example/fhir/Patient/b.2/_history/3 `:    {"b.2"},
		`Patient/a Patient/b Patient/a`:                          {"a", "b"},
		`Patient/` + strings.Repeat("x", 65) + `" Patient/" Pat`: nil,
		`Patient/é`: nil,
		``:          nil,
	} {
		if diff := cmp.Diff(want, Patients([]byte(text))); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
}
