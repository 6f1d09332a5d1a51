package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/dbtest"
)

const (
	asideDevice = `{"resourceType":"Device","status":"active","type":{"text":"Vena cava filter"}}`
	asideUse    = `{"resourceType":"DeviceUseStatement","status":"active","subject":{"reference":"Patient/secret"},"device":{"reference":"urn:uuid:61EBE359-bfdc-4613-8bf2-c5e300945f0a"},"timingPeriod":{"start":"2024-05-02"}}`
)

// asideBatch holds a filter and its use in a patient, neither with an id. An entry that is stray can be read only where the base of its
// feed is https://lab.example/fhir.
func asideBatch(deviceStray, useStray bool) string {
	entry := func(name, kind, resource string, stray bool) string {
		url := kind
		if stray {
			url = "https://lab.example/fhir/" + kind
		}
		return `{"fullUrl":"` + name + `","resource":` + resource + `,"request":{"method":"POST","url":"` + url + `"}}`
	}
	return `{"resourceType":"Bundle","type":"batch","entry":[` +
		entry("urn:uuid:0a2b4f4e-6a55-4c2e-9d8e-2f4f7f0f8a11", "DeviceUseStatement", asideUse, useStray) + "," +
		entry("urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a", "Device", asideDevice, deviceStray) + `]}`
}

// TestWhatWasRefusedTogetherIsJoinedByReplays: a filter and its use in a patient come in one Bundle under names that mean nothing
// outside it. Whichever of them is refused, and in whatever order they are replayed, the use names the device in the end.
func TestWhatWasRefusedTogetherIsJoinedByReplays(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		deviceStray, useStray bool
		replays               []int
	}{
		"both, the use first":    {true, true, []int{1, 2}},
		"both, the device first": {true, true, []int{2, 1}},
		"the device":             {true, false, []int{1}},
		"the use":                {false, true, []int{1}},
		"none":                   {},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			database := dbtest.URL(t)
			w := openDoorway(t, database, map[string]string{"lab": "https://labb.example/fhir"})
			if status, answer := w.ask("POST", "/feeds/lab/fhir", asideBatch(c.deviceStray, c.useStray)); status != http.StatusOK {
				t.Fatalf("%d %s", status, answer)
			}
			if n := w.count(`SELECT count(*) FROM quarantine WHERE body IS NOT NULL`); n != len(c.replays) {
				t.Fatalf("%d payloads set aside, want %d", n, len(c.replays))
			}
			mended := openDoorway(t, database, map[string]string{"lab": "https://lab.example/fhir"})
			for _, id := range c.replays {
				if status, answer := mended.ask("POST", fmt.Sprintf("/quarantine/%d/replay", id), ""); status >= http.StatusBadRequest {
					t.Errorf("replay of %d: %d %s", id, status, answer)
				}
			}
			got := []int{
				w.count(`SELECT count(*) FROM quarantine`),
				w.count(`SELECT count(*) FROM person WHERE followed`),
				w.count(`SELECT count(*) FROM resource u JOIN resource d ON d.type = 'Device' AND d.current AND d.feed = u.feed AND u.refs @> ARRAY['Device/' || d.id]
					WHERE u.type = 'DeviceUseStatement' AND u.current`),
			}
			if diff := cmp.Diff([]int{0, 1, 1}, got); diff != "" {
				t.Errorf("left in quarantine, persons, uses that name the device (-want +got):\n%s", diff)
			}
		})
	}
}

// TestAReplayThatKeepsNothingLosesNothing: a report of a filter in somebody who is not followed can be read by now, and nothing of it
// would be kept. It stays until the patient is followed.
func TestAReplayThatKeepsNothingLosesNothing(t *testing.T) {
	t.Parallel()
	database := dbtest.URL(t)
	w := openDoorway(t, database, map[string]string{"lab": "https://labb.example/fhir"})
	w.ask("POST", "/feeds/lab/fhir", `{"resourceType":"Bundle","type":"batch","entry":[{"resource":{"resourceType":"Observation","id":"o","status":"final","code":{"text":"vena cava filter seen"},`+
		`"subject":{"reference":"Patient/secret"},"effectiveDateTime":"2024-06-01"},"request":{"method":"PUT","url":"https://lab.example/fhir/Observation/o"}}]}`)
	mended := openDoorway(t, database, map[string]string{"lab": "https://lab.example/fhir"})
	const stays = `nothing of it was kept, so it stays in the quarantine`
	status, answer := mended.ask("POST", "/quarantine/1/replay", "")
	if status != http.StatusUnprocessableEntity || !strings.Contains(answer, stays) || !strings.Contains(answer, "not about a followed patient") {
		t.Errorf("%d %s", status, answer)
	}
	if n := w.count(`SELECT count(*) FROM quarantine WHERE body IS NOT NULL AND replays = 1 AND outcome = 422 AND outcome_issues->0->>'Text' = $1`, stays); n != 1 {
		t.Errorf("%d such entries, want 1", n)
	}
	mended.ask("PUT", "/feeds/lab/fhir/Procedure/p", placement("p"))
	if status, answer := mended.ask("POST", "/quarantine/1/replay", ""); status != http.StatusCreated {
		t.Errorf("once the patient is followed: %d %s", status, answer)
	}
	if n := w.count(`SELECT count(*) FROM quarantine`); n != 0 {
		t.Errorf("%d left", n)
	}
}

// TestADeviceThatComesWithItsUseIsAssessed: the answer does not ask for a patient whom the same delivery names.
func TestADeviceThatComesWithItsUseIsAssessed(t *testing.T) {
	t.Parallel()
	w := openDoorway(t, dbtest.URL(t), nil)
	_, answer := w.ask("POST", "/fhir", asideBatch(false, false))
	if !strings.Contains(answer, "whom an entry of this delivery names with it") || strings.Contains(answer, "not assessed until") {
		t.Errorf("together: %s", answer)
	}
	alone := openDoorway(t, dbtest.URL(t), nil)
	if _, answer = alone.ask("POST", "/fhir/Device", asideDevice); !strings.Contains(answer, "not assessed until") {
		t.Errorf("alone: %s", answer)
	}
	nobodys := openDoorway(t, dbtest.URL(t), nil)
	if _, answer = nobodys.ask("POST", "/fhir", strings.Replace(asideBatch(false, false), `"reference":"Patient/secret"`, `"display":"secret"`, 1)); !strings.Contains(answer, "not assessed until it, or an entry") {
		t.Errorf("with a use that names nobody: %s", answer)
	}
}
