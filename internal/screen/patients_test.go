package screen

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
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

// TestVagueDevices: only a Device that names no kind, name, label or model is vague.
func TestVagueDevices(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]bool{
		`{"resourceType":"Device","id":"d","status":"active"}`:                               true,
		`{"resourceType":"Device","id":"d","status":"active","type":{"text":"pacemaker"}}`:   false,
		`{"resourceType":"Device","id":"d","deviceName":[{"name":"x","type":"model-name"}]}`: false,
		`{"resourceType":"Device","id":"d","udiCarrier":[{"deviceIdentifier":"1"}]}`:         false,
		`{"resourceType":"Device","id":"d","type":{"text":"vena cava filter"}}`:              false,
		`{"resourceType":"Procedure","id":"d","code":{"text":"x"}}`:                          false,
	} {
		r, err := fhir.Decode([]byte(body))
		if err != nil {
			t.Fatal(err)
		}
		if got := (Screener{}).Item("default", r).Vague; got != want {
			t.Errorf("%s: %t, want %t", body, got, want)
		}
	}
}
