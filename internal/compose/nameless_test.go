package compose_test

import (
	"errors"
	"strings"
	"testing"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
)

const nameless = "0d3f2b1c-7a52-5c1e-9d40-5a1b2c3d4e5f"

func TestNothingIsWrittenThatTheRecordCannotKnow(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		evidence, unknown []string
		focus, want       string
	}{
		"known":                {[]string{"Device/d", "Procedure/p"}, nil, "Device/d", "Device/d"},
		"another device":       {[]string{"Device/" + nameless, "Device/e", "Procedure/p"}, []string{"Device/" + nameless}, "Device/" + nameless, "Device/e"},
		"the procedure":        {[]string{"Device/" + nameless, "DeviceUseStatement/a", "Procedure/p"}, []string{"Device/" + nameless}, "Device/" + nameless, "Procedure/p"},
		"any other":            {[]string{"DeviceUseStatement/a", "Procedure/" + nameless}, []string{"Procedure/" + nameless}, "Procedure/" + nameless, "DeviceUseStatement/a"},
		"none":                 {[]string{"Procedure/" + nameless}, []string{"Procedure/" + nameless}, "Procedure/" + nameless, ""},
		"contained in unknown": {[]string{"Procedure/" + nameless, "Procedure/" + nameless + "#d"}, []string{"Procedure/" + nameless}, "Procedure/" + nameless + "#d", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := referralFor("refer")
			f := &d.Assessment.Filters[0]
			f.Evidence, f.Focus, d.Assessment.Nameless = c.evidence, c.focus, c.unknown
			d.Referral.BasedOn = append([]string{"ServiceRequest/s1"}, c.unknown...)
			bundle, err := compose.TransactionBundle(d, plainSite(), now, []byte("%PDF"), "", nil)
			if err != nil {
				t.Fatal(err)
			}
			if got := gjson.GetBytes(bundle, "entry.1.resource.focus.reference").String(); got != c.want {
				t.Errorf("focus is %q, want %q", got, c.want)
			}
			if strings.Contains(string(bundle), nameless) {
				t.Errorf("a reference leads nowhere: %s", bundle)
			}
			if diff := cmp.Diff([]string{"ServiceRequest/s1"}, list(bundle, "entry.1.resource.basedOn.#.reference")); diff != "" {
				t.Errorf("basedOn (-want +got):\n%s", diff)
			}
		})
	}
}

func TestNothingIsWrittenForAPatientThatTheRecordCannotKnow(t *testing.T) {
	t.Parallel()
	d := referralFor("refer")
	d.Assessment.Patient, d.Assessment.Nameless = "Patient/"+nameless, []string{"Patient/" + nameless}
	if _, err := compose.Task(d, plainSite(), now, ""); !errors.Is(err, fault.Invalid) {
		t.Errorf("Task: got %v", err)
	}
	if _, err := compose.TransactionBundle(d, plainSite(), now, []byte("%PDF"), "", nil); !errors.Is(err, fault.Invalid) || strings.Contains(err.Error(), nameless) {
		t.Errorf("TransactionBundle: got %v", err)
	}
}
