package api

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/screen"

	"github.com/google/go-cmp/cmp"
)

// quarantine notes a call and keeps the payload as the store does.
func (r *rig) quarantine(_ context.Context, q Refused) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.quarantined = append(r.quarantined, quarantined{q.Feed, q.Route, string(q.Body), summary(q.Issues), q.Keep})
	h := Held{ID: int64(len(r.quarantined)), Feed: q.Feed, Route: q.Route, Issues: q.Issues, Times: 1, Size: int64(len(q.Body)), ReceivedAt: q.At, ExpiresAt: q.At.AddDate(0, 0, 30)}
	if q.Keep {
		h.Method, h.Target, h.ContentType, h.ContentEncoding, h.Bundle = q.Method, q.Target, q.ContentType, q.ContentEncoding, q.Bundle
		h.Body, h.Replayable = q.Body, true
	}
	r.held[h.ID] = h
	return nil
}

// shelf is the quarantine of a rig.
type shelf struct{ r *rig }

func (s shelf) List(_ context.Context, feed string, after int64, limit int) ([]Held, error) {
	var out []Held
	for _, id := range slices.Sorted(maps.Keys(s.r.held)) {
		if h := s.r.held[id]; id > after && len(out) < limit && (feed == "" || h.Feed == feed) {
			h.Body = nil
			out = append(out, h)
		}
	}
	return out, nil
}

func (s shelf) Show(_ context.Context, id int64) (Held, error) {
	h, ok := s.r.held[id]
	if !ok {
		return Held{}, fault.NotFound
	}
	return h, nil
}

func (s shelf) Replayed(_ context.Context, id int64, status int, issues []fhir.Issue, at time.Time) error {
	h, ok := s.r.held[id]
	if !ok {
		return fault.NotFound
	}
	h.Replays, h.Outcome, h.OutcomeIssues, h.ReplayedAt = h.Replays+1, status, issues, at
	s.r.held[id] = h
	return nil
}

func (s shelf) Discard(_ context.Context, id int64) error {
	if _, ok := s.r.held[id]; !ok {
		return fault.NotFound
	}
	delete(s.r.held, id)
	return nil
}

const badCava = `{"resourceType":"Procedure","id":"secret-id","code":{"text":"cava"},"code":{}}`

func TestQuarantineIsListedWithoutPayloads(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.send("PUT", "/feeds/ward/fhir/Procedure/secret-id", badCava)
	r.send("PUT", "/fhir/Procedure/secret-id", `{"resourceType":"Procedure","code":{"text":"knee"`)
	r.send("PUT", "/feeds/ward/fhir/Procedure/secret-id", badCava)
	w := r.send("GET", "/quarantine", "")
	if w.Code != 200 || strings.Contains(w.Body.String(), "secret") || strings.Contains(w.Body.String(), "cava") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	var first heldEntry
	var page heldList
	if err := json.Unmarshal(w.Body.Bytes(), &page); err != nil || len(page.Entries) != 3 {
		t.Fatalf("%v %s", err, w.Body)
	}
	at := r.config().Now()
	first = heldEntry{ID: 1, Feed: "ward", Route: "/feeds/:feed/fhir/:type/:id", ReceivedAt: at, ExpiresAt: at.AddDate(0, 0, 30), Size: int64(len(badCava)), Replayable: true, Times: 1,
		Issues: []heldIssue{{Severity: "error", Code: "structure", Path: "Procedure.code", Text: "this member is given more than once"}}}
	if diff := cmp.Diff(first, page.Entries[0]); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if second := page.Entries[1]; second.Replayable || !strings.Contains(second.Note, "send it again") {
		t.Errorf("an entry without payload: %+v", second)
	}
	for query, want := range map[string]string{"?limit=2": "[1 2] 2", "?after=2&limit=2": "[3] 0", "?feed=ward": "[1 3] 0", "?feed=ward&after=3": "[] 0", "?feed=default": "[2] 0", "?after=3": "[] 0", "?limit=1&feed=ward": "[1] 1"} {
		w := r.send("GET", "/quarantine"+query, "")
		var page heldList
		if err := json.Unmarshal(w.Body.Bytes(), &page); err != nil {
			t.Fatal(err)
		}
		ids, next := []int64{}, int64(0)
		for _, e := range page.Entries {
			ids = append(ids, e.ID)
		}
		if page.Next != nil {
			next = *page.Next
		}
		if got := fmt.Sprint(ids, next); got != want {
			t.Errorf("%s: %s, want %s", query, got, want)
		}
	}
	for _, query := range []string{"?limit=0", "?limit=1001", "?limit=x", "?after=-1", "?after=", "?feed=nowhere", "?limit=2&limit=3"} {
		if w := r.send("GET", "/quarantine"+query, ""); w.Code != 400 || issuesOf(t, w.Body.Bytes()) != "error value" {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
}

func TestQuarantineShowsThePayloadOnlyWhenAsked(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.send("PUT", "/feeds/ward/fhir/Procedure/secret-id", badCava)
	r.send("POST", "/fhir", `{"resourceType":"Procedure","code":{"text":"knee"`)
	r.audit = nil
	show := func(url string) heldEntry {
		t.Helper()
		w := r.send("GET", url, "")
		var e heldEntry
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || w.Code != 200 {
			t.Fatalf("%s: %d %s", url, w.Code, w.Body)
		}
		return e
	}
	want := heldRequest{Method: "PUT", Target: "Procedure/secret-id", ContentType: "application/fhir+json"}
	if e := show("/quarantine/1"); e.Body != nil || *e.Request != want {
		t.Errorf("got %+v %+v", e, e.Request)
	}
	if e := show("/quarantine/1?body=true"); e.Body == nil || *e.Body != badCava {
		t.Errorf("got %+v", e)
	}
	if e := show("/quarantine/2?body=true"); e.Body != nil || e.Request != nil || e.Note == "" {
		t.Errorf("got %+v", e)
	}
	if w := r.send("GET", "/quarantine/1?body=yes", ""); w.Code != 400 {
		t.Errorf("body=yes: %d", w.Code)
	}
	if w := r.send("GET", "/quarantine/9", ""); w.Code != 404 || issuesOf(t, w.Body.Bytes()) != "error not-found" {
		t.Errorf("unknown: %d %s", w.Code, w.Body)
	}
	at := r.config().Now()
	rows := []AuditRow{
		{at, "loopback", "quarantine show", "/quarantine/:id", "200", 1, "", ""},
		{at, "loopback", "quarantine show body", "/quarantine/:id", "200", 1, "", ""},
		{at, "loopback", "quarantine show body", "/quarantine/:id", "200", 2, "", ""},
		{at, "loopback", "quarantine show", "/quarantine/:id", "400", 1, "", ""},
		{at, "loopback", "quarantine show", "/quarantine/:id", "404", 9, "", ""},
	}
	if diff := cmp.Diff(rows, r.audit); diff != "" {
		t.Errorf("audit (-want +got):\n%s", diff)
	}
	if log := r.log.String(); strings.Contains(log, "secret") || strings.Contains(log, "cava") {
		t.Errorf("the log says %s", log)
	}
}

// replays makes a server where everything in the quarantine came at noon, and gives it after a change of its settings.
func (r *rig) later(change func(*Config)) *rig {
	r.t.Helper()
	next := setup(r.t, change)
	for id, h := range r.held {
		h.ReceivedAt = noon()
		next.held[id] = h
		next.quarantined = append(next.quarantined, quarantined{})
	}
	return next
}

func noon() time.Time { return time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC) }

// An absolute URL of the sender is read only below the base of its feed: with the right one in the settings a replay works.
func TestReplayAfterTheFeedIsMended(t *testing.T) {
	t.Parallel()
	const cava = `{"resourceType":"Procedure","id":"p-1","status":"completed","code":{"text":"cava"},"subject":{"reference":"urn:uuid:61EBE359-bfdc-4613-8bf2-c5e300945f0a"}}`
	entry := `{ "fullUrl":"https://lab.example/fhir/Procedure/p-1", "resource":` + cava + `, "request":{"method":"PUT","url":"https://lab.example/fhir/Procedure/p-1"} }`
	before := setup(t, nil)
	w := before.send("POST", "/feeds/ward/fhir", bundleOf("batch",
		`{"fullUrl":"urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a","resource":{"resourceType":"Patient","id":"p1"},"request":{"method":"POST","url":"Patient"}}`, entry))
	if _, got := answers(t, w.Body.Bytes()); got[1] != "400 error value Bundle.entry[1].request.url" {
		t.Fatalf("got %v", got)
	}
	kept := before.held[1]
	// The bytes are the entry's own, but for the name that only the Bundle could resolve.
	want := strings.ReplaceAll(entry, "urn:uuid:61EBE359-bfdc-4613-8bf2-c5e300945f0a", "Patient/p1")
	if string(kept.Body) != want || kept.Bundle != "batch" || kept.Method != "POST" || kept.Target != "" || len(before.held) != 1 {
		t.Errorf("kept %+v\n%s", kept, kept.Body)
	}

	again := before.later(nil)
	for tries := 1; tries <= 2; tries++ {
		w = again.send("POST", "/quarantine/1/replay", "")
		h := again.held[1]
		if w.Code != 400 || issuesOf(t, w.Body.Bytes()) != "error value Bundle.entry[0].request.url" || h.Replays != tries || h.Outcome != 400 || summary(h.OutcomeIssues) != "error value Bundle.entry[0].request.url" {
			t.Errorf("%d %s; %+v", w.Code, w.Body, h)
		}
	}
	if len(again.calls) != 0 || len(again.held) != 1 {
		t.Errorf("%d stored, %d in quarantine", len(again.calls), len(again.held))
	}
	w = again.send("GET", "/quarantine/1", "")
	if !strings.Contains(w.Body.String(), `"replays":2,"lastReplay":{"at":"2026-03-01T23:30:00Z","status":400,`) {
		t.Errorf("got %s", w.Body)
	}

	mended := before.later(func(c *Config) { c.Feeds = map[string]string{"ward": "https://lab.example/fhir"} })
	w = mended.send("POST", "/quarantine/1/replay", "")
	if w.Code != 201 || w.Header().Get("Location") != "/feeds/ward/fhir/Procedure/p-1/_history/1" || w.Header().Get("ETag") != `W/"1"` {
		t.Errorf("%d %v %s", w.Code, w.Header(), w.Body)
	}
	if item := mended.calls[0][0]; item.Feed != "ward" || string(item.Resource.Raw) != strings.ReplaceAll(cava, "urn:uuid:61EBE359-bfdc-4613-8bf2-c5e300945f0a", "Patient/p1") {
		t.Errorf("stored %s", item.Resource.Raw)
	}
	if diff := cmp.Diff([]time.Time{noon()}, mended.received); diff != "" {
		t.Errorf("the time of receipt (-want +got):\n%s", diff)
	}
	if w = mended.send("POST", "/quarantine/1/replay", ""); w.Code != 404 || len(mended.calls) != 1 {
		t.Errorf("once more: %d", w.Code)
	}
	at := mended.config().Now()
	rows := []AuditRow{{at, "loopback", "quarantine replay", "/quarantine/:id/replay", "201", 1, "", ""}, {at, "loopback", "quarantine replay", "/quarantine/:id/replay", "404", 1, "", ""}}
	if diff := cmp.Diff(rows, mended.audit); diff != "" {
		t.Errorf("audit (-want +got):\n%s", diff)
	}
	if log := mended.log.String(); strings.Contains(log, "p-1") || !strings.Contains(log, "method=POST route=/quarantine/:id/replay status=201") {
		t.Errorf("the log says %s", log)
	}
}

// Each payload goes through the door it came by: method, path, media type and the kind of Bundle count as they did.
func TestReplayIsTheSameRequest(t *testing.T) {
	t.Parallel()
	const cava = `{"resourceType":"Procedure","code":{"text":"cava"}}`
	bad := `{"resourceType":"Procedure","code":{"text":"cava"},"id":"_"}`
	for name, c := range map[string]struct {
		method, url, body string
		headers           []string
		fix               func(*Held) // what a newer program would read; nil replays what came
		want              string
		given             string
	}{
		"put":    {"PUT", "/feeds/ward/fhir/Procedure/p-2", bad, nil, func(h *Held) { h.Body = []byte(cava) }, `201 /feeds/ward/fhir/Procedure/p-2/_history/1`, "Procedure/p-2"},
		"post":   {"POST", "/fhir/Procedure", bad, nil, func(h *Held) { h.Body = []byte(procedure) }, `201 /fhir/Procedure/p-1/_history/1`, "Procedure/p-1"},
		"base":   {"POST", "/feeds/default/fhir", bad, nil, func(h *Held) { h.Body = []byte(procedure) }, `201 /feeds/default/fhir/Procedure/p-1/_history/1`, "Procedure/p-1"},
		"other":  {"PUT", "/fhir/Device/d", bad, nil, func(h *Held) { h.Body = []byte(procedure) }, "400 error invalid Procedure.resourceType", ""},
		"no id":  {"PUT", "/fhir/Procedure", bad, nil, func(h *Held) { h.Body = []byte(cava) }, "400 error required Procedure.id", ""},
		"type":   {"PUT", "/fhir/Procedure/p-1", cava, []string{"Content-Type: text/plain"}, nil, "415 error not-supported", ""},
		"coding": {"PUT", "/fhir/Procedure/p-1", cava, []string{"Content-Encoding: utf-8"}, nil, "415 error not-supported", ""},
		"packed": {"PUT", "/fhir/Procedure/p-1", packed(t, bad), []string{"Content-Encoding: gzip"}, nil, "400 error value Procedure.id", ""},
		"query":  {"PUT", "/fhir/Procedure?_format=json", bad, nil, func(h *Held) { h.Body = []byte(procedure) }, `201 /fhir/Procedure/p-1/_history/1`, "Procedure/p-1"},
		"transaction": {"POST", "/fhir", bundleOf("transaction", entryOf(procedure, "PUT", "Procedure/p-1"), entryOf(bad, "PUT", "Procedure/p")), nil, nil,
			"400 error value Bundle.entry[1].resource.id", ""},
		"history": {"POST", "/fhir", bundleOf("history", `{"resource":`+bad+`,"request":{"method":"GET","url":"Procedure/p"}}`), nil,
			func(h *Held) { h.Body = []byte(strings.ReplaceAll(string(h.Body), `"_"`, `"p"`)) }, "422 error business-rule, information informational", ""},
		"notification": {"POST", "/fhir", bundleOf("history", `{"resource":{"resourceType":"Parameters","parameter":[{"name":"type","valueCode":"event-notification"}]}}`,
			`{"resource":`+bad+`,"request":{"method":"GET","url":"Procedure/p"}}`), nil,
			func(h *Held) { h.Body = []byte(strings.ReplaceAll(string(h.Body), `"_"`, `"p"`)) }, "201 /fhir/Procedure/p/_history/1", "Procedure/p"},
		"collection": {"POST", "/fhir", bundleOf("collection", `{"resource":`+bad+`}`), nil,
			func(h *Held) { h.Body = []byte(strings.ReplaceAll(string(h.Body), `"_"`, `"p"`)) }, "201 /fhir/Procedure/p/_history/1", "Procedure/p"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			before := setup(t, nil)
			before.send(c.method, c.url, c.body, c.headers...)
			if len(before.held) != 1 || !before.held[1].Replayable {
				t.Fatalf("in quarantine: %+v", before.held)
			}
			r := before.later(nil)
			if c.fix != nil {
				h := r.held[1]
				c.fix(&h)
				r.held[1] = h
			}
			w := r.send("POST", "/quarantine/1/replay", "")
			got := fmt.Sprint(w.Code, " ")
			if w.Code >= 400 {
				got += issuesOf(t, w.Body.Bytes())
			} else {
				got += w.Header().Get("Location")
			}
			if got != c.want || r.given(0) != c.given || (w.Code < 400) != (len(r.held) == 0) || len(r.quarantined) != 1 {
				t.Errorf("got %q and stored %q, want %q and %q; %d in quarantine", got, r.given(0), c.want, c.given, len(r.held))
			}
		})
	}
}

// A whole batch that can be read now leaves the quarantine; what is still wrong in it is kept entry by entry, as old as the whole.
func TestReplayOfABatchKeepsItsBadEntries(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	bad := entryOf(badCava, "PUT", "Procedure/p")
	r.held[7] = Held{ID: 7, Feed: "ward", Route: "/feeds/:feed/fhir", Method: "POST", Replayable: true, Times: 1, ReceivedAt: noon(),
		Body: []byte(bundleOf("batch", entryOf(procedure, "PUT", "Procedure/p-1"), bad))}
	w := r.send("POST", "/quarantine/7/replay", "")
	if kind, got := answers(t, w.Body.Bytes()); kind != "batch-response" || got[0] != `201 Procedure/p-1/_history/1 W/"1"` || !strings.HasPrefix(got[1], "400") {
		t.Errorf("got %s %v", kind, got)
	}
	h, ok := r.held[1]
	if len(r.held) != 1 || !ok || string(h.Body) != bad || h.Bundle != "batch" || !h.ReceivedAt.Equal(noon()) || h.Route != "/feeds/:feed/fhir" {
		t.Errorf("in quarantine: %+v", r.held)
	}
}

func TestReplayNeedsThePayload(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.BodyLimit = 100 })
	r.send("PUT", "/fhir/Procedure/p-1", `{"resourceType":"Procedure","code":{"text":"knee"`)
	r.send("POST", "/fhir", strings.Repeat("vena cava ", 20))
	for _, id := range []string{"1", "2"} {
		w := r.send("POST", "/quarantine/"+id+"/replay", "")
		if w.Code != http.StatusConflict || issuesOf(t, w.Body.Bytes()) != "error conflict" || !strings.Contains(w.Body.String(), "the sender must send it again") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
		if r.held[1].Replays != 0 {
			t.Error("that was no replay")
		}
		if w := r.send("DELETE", "/quarantine/"+id, ""); w.Code != http.StatusNoContent {
			t.Errorf("discard: %d", w.Code)
		}
		if w := r.send("DELETE", "/quarantine/"+id, ""); w.Code != 404 {
			t.Errorf("discard again: %d", w.Code)
		}
	}
	for _, id := range []string{"x", "0", "-1", "99999999999999999999"} {
		if w := r.send("POST", "/quarantine/"+id+"/replay", ""); w.Code != 404 {
			t.Errorf("replay of %s: %d", id, w.Code)
		}
	}
}

// While the store is away, or the feed is gone, nothing is lost.
func TestReplayThatFailsStays(t *testing.T) {
	t.Parallel()
	before := setup(t, nil)
	before.send("PUT", "/feeds/ward/fhir/Procedure/p-1", `{"resourceType":"Procedure","id":"_","code":{"text":"cava"}}`)
	good := func(r *rig) *rig {
		h := r.held[1]
		h.Body = []byte(procedure)
		r.held[1] = h
		return r
	}
	away := good(before.later(func(c *Config) {
		c.AcceptHeld = func(context.Context, []screen.Item, time.Time) ([]screen.Outcome, error) {
			return nil, fault.Unavailable
		}
	}))
	if w := away.send("POST", "/quarantine/1/replay", ""); w.Code != 503 || w.Header().Get("Retry-After") == "" || away.held[1].Outcome != 503 {
		t.Errorf("%d %+v", w.Code, away.held[1])
	}
	gone := good(before.later(func(c *Config) { c.Feeds = nil }))
	if w := gone.send("POST", "/quarantine/1/replay", ""); w.Code != 404 || gone.held[1].Outcome != 404 || gone.held[1].Replays != 1 {
		t.Errorf("%d %+v", w.Code, gone.held[1])
	}
	if w := good(before.later(nil)).send("POST", "/quarantine/1/replay", "", "Accept: application/fhir+xml"); w.Code != 406 {
		t.Errorf("an answer the caller cannot read: %d", w.Code)
	}
}

// TestAFloodOfFaultyEntries: of a hopeless Bundle a hundred notes without payload are enough; what may be kept is all kept.
func TestAFloodOfFaultyEntries(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	var entries []string
	for n := range 3 * maxFaults {
		text := "knee"
		if n%3 == 0 {
			text = "cava"
		}
		entries = append(entries, fmt.Sprintf(`{"resource":{"resourceType":"Procedure","id":"p%d","status":5,"code":{"text":"%s"}},"request":{"method":"PUT","url":"Procedure/p%d"}}`, n, text, n))
	}
	w := r.send("POST", "/fhir", bundleOf("batch", entries...))
	_, got := answers(t, w.Body.Bytes())
	kept, unkept := 0, 0
	for _, q := range r.quarantined {
		if q.keep {
			kept++
		} else {
			unkept++
		}
	}
	if w.Code != 200 || len(got) != len(entries) || kept != maxFaults || unkept != maxFaults {
		t.Errorf("%d: %d answers, %d kept, %d noted without payload", w.Code, len(got), kept, unkept)
	}
}
