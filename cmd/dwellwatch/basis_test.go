package main

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestBasisIsToldAtTheStart: the log names the policy and counts what the site's files brought; without any it says so with zeros.
func TestBasisIsToldAtTheStart(t *testing.T) {
	t.Parallel()
	site := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(site, []byte("name: alder-bay@1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		settings basisSettings
		want     map[string]any
	}{
		"nothing of the site": {basisSettings{Zone: "UTC"}, map[string]any{"policy": "default@1", "site_value_sets": 0., "site_codes": 0., "site_patterns": 0., "catalogue_models": 0.}},
		"all of it": {basisSettings{Zone: "UTC", Policy: policyFile(site), Catalogue: "../../internal/demo/catalogue.json", ValueSets: []string{"../../internal/demo/valuesets"}},
			map[string]any{"policy": "alder-bay@1", "site_value_sets": 12., "site_codes": 12., "site_patterns": 0., "catalogue_models": 3.}},
	} {
		basis, err := c.settings.basis()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var out bytes.Buffer
		tellBasis(logger(&out, slog.LevelInfo), basis)
		var got map[string]any
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, ours := range []string{"time", "level", "msg"} {
			delete(got, ours)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestServeTellsTheBasis: the line comes before anything is opened, so that it is there even where the start fails.
func TestServeTellsTheBasis(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	c := serveCommand{basisSettings: basisSettings{Zone: "UTC"}, recordSettings: recordSettings{RecordTimeout: time.Second}, listenSettings: listenSettings{Listen: "127.0.0.1:99999", BodyLimit: 1, Workers: 1, RescueAfter: time.Minute},
		callerSettings: callerSettings{SessionIdle: time.Hour, SessionLifetime: time.Hour}}
	err := c.Run(t.Context(), streams{out: io.Discard, err: &out})
	if err == nil || !bytes.Contains(out.Bytes(), []byte(`"msg":"what answers rest on"`)) {
		t.Errorf("%v, %s", err, out.Bytes())
	}
}
