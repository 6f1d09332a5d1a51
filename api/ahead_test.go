package api

import (
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/screen"
)

// TestATimeThatLiesAheadIsToldToTheSender, by the time at which it came, also where it is taken from the quarantine later.
func TestATimeThatLiesAheadIsToldToTheSender(t *testing.T) {
	t.Parallel()
	const info, warned = "information informational", "warning value Procedure.meta.lastUpdated"
	body := func(at string) string {
		return strings.Replace(procedure, `{"resourceType":"Procedure"`, `{"resourceType":"Procedure","meta":{"lastUpdated":"`+at+`"}`, 1)
	}
	for at, want := range map[string]string{ // it is 2026-03-01T23:30:00Z
		"2026-03-01T10:00:00Z":      info,
		"2026-03-02T23:30:00Z":      info,
		"2026-03-02T23:30:01Z":      info + ", " + warned,
		"2026-03-03T01:30:01+02:00": info + ", " + warned,
		"2999-01-01T00:00:00Z":      info + ", " + warned,
	} {
		w := setup(t, nil).send("PUT", "/fhir/Procedure/p-1", body(at))
		if got := issuesOf(t, w.Body.Bytes()); got != want {
			t.Errorf("%s: %s, want %s", at, got, want)
		}
	}

	r := setup(t, fates(screen.Outcome{Fate: screen.Updated, Version: 2}, screen.Outcome{Fate: screen.Forgotten}))
	w := r.send("POST", "/fhir", bundleOf("history",
		`{"request":{"method":"DELETE","url":"Device/d"},"response":{"status":"204","lastModified":"2027-01-01T00:00:00Z"}}`,
		`{"resource":`+procedure+`,"request":{"method":"PUT","url":"Procedure/p-1"},"response":{"status":"200","lastModified":"2027-01-01T00:00:00Z"}}`))
	_, got := answers(t, w.Body.Bytes())
	for n, line := range got {
		if !strings.HasSuffix(line, "warning value Bundle.entry["+string(rune('0'+n))+"].response.lastModified") {
			t.Errorf("entry %d: %s", n, line)
		}
	}

	before := setup(t, nil)
	before.held[1] = Held{ID: 1, Feed: DefaultFeed, Route: "/fhir/:type/:id", Method: "PUT", Target: "Procedure/p-1", ContentType: "application/fhir+json",
		ReceivedAt: time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC), Body: []byte(body("2026-02-01T00:00:00Z")), Replayable: true}
	if got := issuesOf(t, before.send("POST", "/quarantine/1/replay", "").Body.Bytes()); got != info+", "+warned {
		t.Errorf("from the quarantine: %s", got)
	}
}
