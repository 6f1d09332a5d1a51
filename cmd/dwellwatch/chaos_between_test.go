package main

import (
	"bytes"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

const recordTimeout = 4 * time.Second

// between stands between the service and the record. It knows which writes are under way, and of whom; it holds writes for
// a moment, before they are carried out or after; it cuts replies. A write it has taken is carried out even if its sender
// is killed meanwhile.
type between struct {
	url, record string
	client      *http.Client

	mu      sync.Mutex
	writing map[string]int // requests under way by token
	rough   bool           // hold writes
	cutting bool           // cut some replies
	cut     int
	writes  int
}

// putBetween starts it in front of the record until the test ends.
func putBetween(t *testing.T, record string) *between {
	b := &between{record: record, client: &http.Client{Timeout: time.Minute}, writing: map[string]int{}, rough: true}
	server := httptest.NewServer(http.HandlerFunc(b.serve))
	t.Cleanup(server.Close)
	b.url = server.URL + "/fhir"
	return b
}

func (b *between) serve(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	write := r.Method != http.MethodGet && !strings.HasSuffix(r.URL.Path, "/_search")
	who := strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")
	if write {
		b.count(who, 1)
		b.hold()
	}
	resp, answer, err := b.forward(r, body)
	cut := false
	if write {
		b.hold()
		cut = b.leave(who)
	}
	if err != nil || cut {
		panic(http.ErrAbortHandler) // closes the connection without a reply
	}
	for name, values := range resp.Header {
		for _, v := range values {
			w.Header().Add(name, strings.ReplaceAll(v, b.record, b.url))
		}
	}
	w.Header().Del("Content-Length")
	w.WriteHeader(resp.StatusCode)
	_, _ = w.Write(bytes.ReplaceAll(answer, []byte(b.record), []byte(b.url)))
}

// forward carries a request out. It does not end with the request's own context: what is on its way arrives.
func (b *between) forward(r *http.Request, body []byte) (*http.Response, []byte, error) {
	target := b.record + strings.TrimPrefix(r.URL.Path, "/fhir")
	if r.URL.RawQuery != "" {
		target += "?" + r.URL.RawQuery
	}
	req, err := http.NewRequest(r.Method, target, bytes.NewReader(body))
	if err != nil {
		return nil, nil, err
	}
	for name, values := range r.Header {
		if name != "Accept-Encoding" && name != "Connection" {
			req.Header[name] = values
		}
	}
	resp, err := b.client.Do(req)
	if err != nil {
		return nil, nil, err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	return resp, answer, err
}

func (b *between) count(who string, n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.writing[who] += n
	b.writes++
}

// leave ends a write; true says that its reply is to be cut.
func (b *between) leave(who string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.writing[who]--
	if b.cutting && rand.IntN(12) == 0 {
		b.cut++
		return true
	}
	return false
}

func (b *between) hold() {
	b.mu.Lock()
	rough := b.rough
	b.mu.Unlock()
	if rough {
		time.Sleep(rand.N(120 * time.Millisecond))
	}
}

// whileWriting runs f if a write of who is under way, and lets none of them be answered before f is done.
func (b *between) whileWriting(who string, f func()) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.writing[who] == 0 {
		return false
	}
	f()
	return true
}

// calm lets everything pass from now on.
func (b *between) calm() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rough, b.cutting = false, false
}

func (b *between) cuts() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cut
}
