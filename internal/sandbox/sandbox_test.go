package sandbox_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/sandbox"

	"github.com/tidwall/gjson"
)

// bench is a record behind a real HTTP server, and the time it tells.
type bench struct {
	t      *testing.T
	record *sandbox.Record
	base   string
}

func setup(t *testing.T, patients ...[]byte) bench {
	t.Helper()
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	r, err := sandbox.New(sandbox.Config{Now: func() time.Time { return at }, Patients: patients})
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(r.Handler())
	t.Cleanup(s.Close)
	return bench{t, r, s.URL}
}

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   gjson.Result
}

// send makes one request; headers are "Name: value".
func (b bench) send(method, path, body string, headers ...string) answer {
	b.t.Helper()
	if !strings.HasPrefix(path, "http") {
		path = b.base + path
	}
	req, err := http.NewRequest(method, path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/fhir+json")
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		req.Header.Set(name, value)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	if len(text) > 0 && !gjson.ValidBytes(text) {
		b.t.Fatalf("%s %s: not JSON: %s", method, path, text)
	}
	return answer{resp.StatusCode, resp.Header, gjson.ParseBytes(text)}
}

// expect makes one request and fails unless it is answered with status.
func (b bench) expect(status int, method, path, body string, headers ...string) answer {
	b.t.Helper()
	a := b.send(method, path, body, headers...)
	if a.status != status {
		b.t.Fatalf("%s %s: %d, want %d: %s", method, path, a.status, status, a.body.Raw)
	}
	if status >= 400 && a.body.Get("resourceType").String() != "OperationOutcome" {
		b.t.Fatalf("%s %s: %d without an OperationOutcome", method, path, status)
	}
	return a
}

func task(id, identifier, patient string) string {
	return fmt.Sprintf(`{"resourceType":"Task","id":%q,"status":"draft","intent":"proposal","identifier":[{"system":"urn:x","value":%q}],"for":{"reference":"Patient/%s"},"restriction":{"repetitions":1.50}}`,
		id, identifier, patient)
}

func TestVersions(t *testing.T) {
	t.Parallel()
	b := setup(t)
	created := b.expect(201, "PUT", "/Task/t1", task("t1", "a", "p"))
	if got := created.header.Get("ETag"); got != `W/"1"` {
		t.Errorf("ETag %s", got)
	}
	if got := created.header.Get("Location"); got != b.base+"/Task/t1/_history/1" {
		t.Errorf("Location %s", got)
	}
	if !strings.Contains(created.body.Raw, "1.50") {
		t.Error("a number lost its form")
	}
	if got := created.body.Get("meta.lastUpdated").String(); got != "2026-03-01T08:00:00.000Z" {
		t.Errorf("lastUpdated %s", got)
	}
	b.expect(412, "PUT", "/Task/t1", task("t1", "b", "p"), `If-Match: W/"2"`)
	b.expect(412, "PUT", "/Task/t2", task("t2", "b", "p"), `If-Match: W/"1"`)
	updated := b.expect(200, "PUT", "/Task/t1", task("t1", "b", "p"), `If-Match: W/"1"`)
	if updated.body.Get("meta.versionId").String() != "2" || updated.header.Get("ETag") != `W/"2"` {
		t.Errorf("not version 2: %s", updated.body.Raw)
	}
	if read := b.expect(200, "GET", "/Task/t1", ""); read.body.Raw != updated.body.Raw {
		t.Errorf("read %s after writing %s", read.body.Raw, updated.body.Raw)
	}
	b.expect(200, "GET", updated.header.Get("Location"), "")
	b.expect(404, "GET", "/Task/t1/_history/1", "")
	b.expect(412, "DELETE", "/Task/t1", "", `If-Match: W/"1"`)
	b.expect(204, "DELETE", "/Task/t1", "")
	b.expect(204, "DELETE", "/Task/t1", "")
	b.expect(410, "GET", "/Task/t1", "")
	b.expect(412, "PUT", "/Task/t1", task("t1", "c", "p"), `If-Match: W/"3"`) // the version of the deletion
	b.expect(404, "GET", "/Task/t2", "")
	if back := b.expect(201, "PUT", "/Task/t1", task("t1", "c", "p")); back.body.Get("meta.versionId").String() != "4" {
		t.Errorf("a revived resource is %s", back.body.Get("meta"))
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.expect(400, "PUT", "/Task/t1", task("other", "a", "p"))
	b.expect(400, "PUT", "/Task/t1", `{"resourceType":"Device","id":"t1"}`)
	b.expect(400, "PUT", "/Task/t1", `{"resourceType":"Task"`)
	b.expect(400, "PUT", "/Task/a_b", `{"resourceType":"Task","id":"a_b"}`)
	b.expect(415, "PUT", "/Task/t1", "<Task/>", "Content-Type: application/fhir+xml")
	b.expect(404, "GET", "/Nonsense/1", "")
	b.expect(404, "PATCH", "/Task/t1", "[]")
	b.expect(400, "GET", "/Task?performer=1", "", "Prefer: handling=strict")
	b.expect(404, "GET", "/?_page=none&_offset=0", "")
	if _, err := sandbox.New(sandbox.Config{}); err == nil {
		t.Error("a record without a time was made")
	}
}

func TestConditionalCreate(t *testing.T) {
	t.Parallel()
	b := setup(t)
	const once = "If-None-Exist: identifier=urn:x|a"
	first := b.expect(201, "POST", "/Task", task("sent", "a", "p"), once)
	id := first.body.Get("id").String()
	if id == "sent" || id == "" {
		t.Errorf("the id of a POST is %q", id)
	}
	again := b.expect(200, "POST", "/Task", task("sent", "a", "p"), once)
	if again.body.Get("id").String() != id || again.header.Get("ETag") != `W/"1"` {
		t.Errorf("another answer: %s", again.body.Raw)
	}
	if b.expect(200, "POST", "/Task", task("sent", "a", "p"), "If-None-Exist: Task?identifier=urn:x|a").body.Get("id").String() != id {
		t.Error("a condition with the type before it was read differently")
	}
	b.expect(400, "POST", "/Task", task("sent", "a", "p"), "If-None-Exist: nonsense=1")
	b.expect(201, "POST", "/Task", task("sent", "a", "p"))
	b.expect(412, "POST", "/Task", task("sent", "a", "p"), once)
	minimal := b.expect(201, "POST", "/Task", task("sent", "b", "p"), "Prefer: return=minimal")
	if minimal.body.Raw != "" || minimal.header.Get("Location") == "" {
		t.Error("return=minimal was not kept")
	}
}

func TestMetadata(t *testing.T) {
	t.Parallel()
	b := setup(t)
	m := b.expect(200, "GET", "/metadata", "").body
	if m.Get("resourceType").String() != "CapabilityStatement" || m.Get("fhirVersion").String() != "4.0.1" {
		t.Errorf("%s", m.Raw)
	}
	for _, r := range m.Get("rest.0.resource").Array() {
		typ := r.Get("type").String()
		for _, p := range r.Get("searchParam.#.name").Array() {
			b.expect(200, "GET", "/"+typ+"?"+p.String()+"=x", "", "Prefer: handling=strict")
		}
	}
}
