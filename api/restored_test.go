package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const filterDevice = `"deviceName":[{"name":"vena cava filter","type":"user-friendly-name"}]`

// TestADeletedDeviceStaysDeleted though the record's clock is ahead of ours, and whichever older version comes again.
func TestADeletedDeviceStaysDeleted(t *testing.T) {
	t.Parallel()
	device := func(version, at string) string {
		return `{"resourceType":"Device","id":"sk","meta":{"versionId":"` + version + `","lastUpdated":"` + at + `"},"status":"active","patient":{"reference":"Patient/ann"},` + filterDevice + `}`
	}
	const soon, later, last = "2026-03-01T21:00:20Z", "2026-03-01T21:00:40Z", "2026-03-01T21:01:00Z"
	for name, c := range map[string]struct{ first, again string }{
		"the same bytes":   {device("1", soon), device("1", soon)},
		"an older version": {device("2", later), device("1", soon)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, 0)
			put := func(body string) string { return h.send(http.MethodPut, "/fhir/Device/sk", []byte(body)).Body.String() }
			put(c.first)
			h.send(http.MethodDelete, "/fhir/Device/sk", nil)
			if got := put(c.again); !strings.Contains(got, "a deletion or retraction of this resource stands") {
				t.Errorf("%s", got)
			}
			if got := h.charts(); len(got) > 0 {
				t.Errorf("kept: %v", got)
			}
			put(device("4", last))
			if diff := cmp.Diff([]string{"ann: Device Patient/ann"}, h.charts()); diff != "" {
				t.Errorf("a newer version (-want +got):\n%s", diff)
			}
		})
	}
}

// TestAUseMayComeBeforeItsDevice: rest-hooks have no order.
func TestAUseMayComeBeforeItsDevice(t *testing.T) {
	t.Parallel()
	const device = `{"resourceType":"Device","id":"d40","status":"active",` + filterDevice + `}`
	for kind, body := range map[string]string{
		"DeviceUseStatement": `{"resourceType":"DeviceUseStatement","id":"s40","status":"active","subject":{"reference":"Patient/p40"},"device":{"reference":"Device/d40"}}`,
		"Procedure":          `{"resourceType":"Procedure","id":"s40","status":"completed","subject":{"reference":"Patient/p40"},"focalDevice":[{"manipulated":{"reference":"Device/d40"}}]}`,
	} {
		h := newHouse(t, 0)
		w := h.send(http.MethodPut, "/fhir/"+kind+"/s40", []byte(body))
		if w.Code != 200 || w.Header().Get("Location") != "" || !strings.Contains(w.Body.String(), "held until the device it names is known") {
			t.Errorf("%s: %d %s", kind, w.Code, w.Body)
		}
		if got := h.stored(); got != (rows{}) {
			t.Errorf("%s: %+v is kept", kind, got)
		}
		h.send(http.MethodPut, "/fhir/Device/d40", []byte(device))
		got := strings.Join(h.charts(), "; ")
		if !strings.Contains(got, "p40: "+kind) || h.stored().persons != 1 {
			t.Errorf("%s: %s", kind, got)
		}
	}
}
