package api_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"

	"dwellwatch/api"
)

// blanks is a body of blanks that never were in memory together.
type blanks struct{}

func (blanks) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	return len(p), nil
}

// bomb packs n bytes of blanks, a thousand to one.
func bomb(t *testing.T, n int64) []byte {
	t.Helper()
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := io.CopyN(z, blanks{}, n); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}

func nested(levels int) string {
	return strings.Repeat(`{"extension":[`, levels/2) + strings.Repeat(`]}`, levels/2)
}

// TestBadInputIsBounded sends what is meant to exhaust a reader of JSON. Each is a refusal that names an element; what is
// allocated for it stays in proportion to the limit of a body, nothing of it is kept afterwards, and the service goes on to answer.
// It runs alone, since it measures memory.
func TestBadInputIsBounded(t *testing.T) {
	const limit = api.DefaultBodyLimit
	h := newHouse(t, 0)
	entry := `{"resource":{"resourceType":"Observation","status":"final","code":{"text":"x"}},"request":{"method":"POST","url":"Observation"}},`
	small := `{"request":{"method":"DELETE","url":"Device/1"}},`
	many := func(kind, entry string, n int) []byte {
		return []byte(`{"resourceType":"Bundle","type":"` + kind + `","entry":[` + strings.TrimSuffix(strings.Repeat(entry, n), ",") + `]}`)
	}
	good := `{"request":{"method":"PUT","url":"Observation/good"},"resource":{"resourceType":"Observation","id":"good","status":"final","code":{"text":"x"}}}`
	bad := func(resource string) []byte {
		return []byte(`{"resourceType":"Bundle","type":"batch","entry":[` + good + `,{"request":{"method":"PUT","url":"Device/d"},"resource":` + resource + `}]}`)
	}
	for _, c := range []struct {
		name, method, path string
		body               []byte
		gzip               bool
		want               string // status, code, expression, of which ... leaves out the end; for an entry of a batch its own
	}{
		{"not JSON", "PUT", "/fhir/Device/d", []byte(`{"resourceType":"Device",`), false, "400 structure Device"},
		{"a text of no format", "POST", "/fhir", []byte("MSH|^~\\&|LAB"), false, "400 structure Resource"},
		{"bytes of no text", "POST", "/fhir/Device", bytes.Repeat([]byte{0xff, 0x00}, 1<<20), false, "400 structure Resource"},
		{"a string without an end", "POST", "/fhir/Device", []byte(`{"resourceType":"Device","id":"` + strings.Repeat("a", 8<<20)), false, "400 structure Device.id"},
		{"another type than the door's", "PUT", "/fhir/Device/d", []byte(`{"resourceType":"Patient","id":"d"}`), false, "400 invalid Patient.resourceType"},
		{"over the limit", "POST", "/fhir/Device", []byte(`{"resourceType":"Device","note":[{"text":"` + strings.Repeat("x", limit) + `"}]}`), false, "413 too-long Resource"},
		{"over the limit after unpacking", "POST", "/fhir", bomb(t, 1<<30), true, "413 too-long Resource"},
		{"no gzip", "POST", "/fhir", []byte("{}"), true, "400 structure Resource"},
		{"nested 10,000 deep", "POST", "/fhir/Device", []byte(`{"resourceType":"Device","extension":[` + nested(10_000) + `]}`), false, "400 structure Device.extension[0].extension[0]..."},
		{"nested 4,000,000 deep", "POST", "/fhir/Device", []byte(strings.Repeat("[", 4_000_000)), false, "400 structure Resource[0][0]..."},
		{"objects nested 1,000,000 deep", "POST", "/fhir", []byte(strings.Repeat(`{"a":`, 1_000_000)), false, "400 structure Resource.a.a..."},
		{"the type behind the nesting", "POST", "/fhir", []byte(`{"extension":[` + nested(10_000) + `],"resourceType":"Device"}`), false, "400 structure Device.extension[0].extension[0]..."},
		{"a member twice", "PUT", "/fhir/Device/d", []byte(`{"resourceType":"Device","id":"d","status":"active","status":"inactive"}`), false, "400 structure Device.status"},
		{"a member 500,000 times", "PUT", "/fhir/Device/d", []byte(`{"resourceType":"Device","id":"d"` + strings.Repeat(`,"status":"active"`, 500_000) + `}`), false, "400 structure Device.status"},
		{"500,000 members", "PUT", "/fhir/Device/d", manyMembers(500_000), false, "400 structure Device.status"},
		{"100,000 small entries", "POST", "/fhir", many("batch", small, 100_000), false, "413 too-costly Bundle.entry"},
		{"75,000 entries in a transaction", "POST", "/fhir", many("transaction", entry, 75_000), false, "413 too-costly Bundle.entry"},
		{"an entry nested 10,000 deep", "POST", "/fhir", bad(`{"resourceType":"Device","id":"d","extension":[` + nested(10_000) + `]}`), false, "[1] 400 structure Bundle.entry[1].resource.extension[0]..."},
		{"an entry with a member twice", "POST", "/fhir", bad(`{"resourceType":"Device","id":"d","status":"active","status":"active"}`), false, "[1] 400 structure Bundle.entry[1].resource.status"},
		{"an entry of another type than its URL", "POST", "/fhir", bad(`{"resourceType":"Patient","id":"d"}`), false, "[1] 400 invalid Bundle.entry[1].resource.resourceType"},
		{"an entry that is no object", "POST", "/fhir", bad(`["Device"]`), false, "[1] 400 structure Bundle.entry[1].resource"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h.t = t
			r := httptest.NewRequest(c.method, c.path, bytes.NewReader(c.body))
			r.Host = "localhost"
			r.Header.Set("Content-Type", "application/fhir+json")
			size := len(c.body)
			if c.gzip {
				r.Header.Set("Content-Encoding", "gzip")
				size = limit
			}
			w := httptest.NewRecorder()
			allocated, kept := measured(func() { h.handler.ServeHTTP(w, r) })

			refused, _ := h.read(c.name, w)
			start, deep := strings.CutSuffix(c.want, "...")
			if len(refused) == 0 || refused[0] != c.want && (!deep || !strings.HasPrefix(refused[0], start)) {
				t.Errorf("got %q, want %q first", refused, c.want)
			}
			// floor is what any request costs, with what the runtime and the database's client do meanwhile. The worst seen
			// is a body of a million tokens: 35 times its size, in turn and not at once.
			const factor, floor = 50, 4 << 20
			if allowed := factor*uint64(size) + floor; allocated > allowed {
				t.Errorf("allocated %d bytes for a body of %d, want at most %d", allocated, len(c.body), allowed)
			}
			if kept > floor {
				t.Errorf("%d bytes are still in use afterwards", kept)
			}
			if w.Body.Len() > 64<<10 {
				t.Errorf("the answer has %d bytes", w.Body.Len())
			}
			if health := h.send(http.MethodGet, "/healthz", nil); health.Code != http.StatusOK {
				t.Errorf("afterwards /healthz answers %d", health.Code)
			}
		})
	}
	h.t = t
	if got := h.stored(); got != (rows{}) {
		t.Errorf("stored %+v", got)
	}
}

func manyMembers(n int) []byte {
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Device","id":"d","status":"active"`)
	for i := range n {
		b.WriteString(`,"x` + strings.Repeat("y", i%3) + string(rune('a'+i%26)) + string(rune('a'+i/26%26)) + string(rune('a'+i/676%26)) + string(rune('a'+i/17576%26)) + `":1`)
	}
	b.WriteString(`,"status":"active"}`)
	return b.Bytes()
}

// measured gives how many bytes f allocated in all, and how many more are in use after it than before.
func measured(f func()) (allocated, kept uint64) {
	var before, after, settled runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	runtime.GC()
	runtime.ReadMemStats(&settled)
	if settled.HeapAlloc > before.HeapAlloc {
		kept = settled.HeapAlloc - before.HeapAlloc
	}
	return after.TotalAlloc - before.TotalAlloc, kept
}
