package writeback_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/writeback"

	"github.com/google/go-cmp/cmp"
)

// onSharedPeer runs each test on a filter of its own in one record.
func onSharedPeer(t *testing.T, tests map[string]func(t *testing.T, b *bench)) {
	t.Helper()
	peer := peertest.Start(t)
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t, newBench(t, peer, ""))
		})
	}
}

func TestCreatesOnce(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"ten times": func(t *testing.T, b *bench) {
			for range 10 {
				if err := b.once(); err != nil {
					t.Fatal(err)
				}
			}
			if n := b.record.writes.Load(); n != 1 {
				t.Errorf("%d writes, want 1 transaction", n)
			}
			task, document := b.only("Task"), b.only("DocumentReference")
			if get(task, "status") != "draft" || get(document, "status") != "current" {
				t.Errorf("task %s, document %s", get(task, "status"), get(document, "status"))
			}
			if got, want := get(task, "input.3.valueReference.reference"), "DocumentReference/"+get(document, "id"); got != want {
				t.Errorf("the Task names %q, want %q", got, want)
			}
			proofs := b.provenances()
			if len(proofs) != 1 || get(proofs[0], "target.1.reference") != "Task/"+get(task, "id") {
				t.Errorf("Provenances: %s", proofs)
			}
			want := []writeback.Receipt{
				{Kind: "Task", Round: 1, ResourceID: get(task, "id"), VersionID: get(task, "meta.versionId"), Status: "draft"},
				{Kind: "DocumentReference", Round: 1, Revision: 1, ResourceID: get(document, "id"), VersionID: get(document, "meta.versionId"), Status: "current"},
				{Kind: "Provenance", Round: 1, Revision: 1, ResourceID: get(proofs[0], "id"), VersionID: get(proofs[0], "meta.versionId")},
			}
			if diff := cmp.Diff(want, b.store.wanted.Receipts); diff != "" {
				t.Errorf("receipts (-want +got)\n%s", diff)
			}
			b.quiet()
			b.sound()
		},
		"nothing to do for older work": func(t *testing.T, b *bench) {
			b.store.wanted.WrittenVersion = 1
			if err := b.converger.Converge(t.Context(), b.key(), 1); err != nil {
				t.Fatal(err)
			}
			if b.store.marks != 0 || len(b.entries("Task")) != 0 || b.store.held() {
				t.Error("something was done")
			}
		},
		"twelve at once": func(t *testing.T, b *bench) {
			var group sync.WaitGroup
			errs := make([]error, 12)
			for i := range errs {
				group.Go(func() {
					for range 200 {
						errs[i] = b.converger.Converge(t.Context(), b.key(), 1)
						if !errors.Is(errs[i], writeback.ErrBusy) {
							return
						}
						time.Sleep(20 * time.Millisecond)
					}
				})
			}
			group.Wait()
			if err := errors.Join(errs...); err != nil {
				t.Fatal(err)
			}
			b.only("Task")
			b.only("DocumentReference")
			if b.store.marks != 1 || len(b.provenances()) != 1 {
				t.Errorf("%d marks, %d Provenances", b.store.marks, len(b.provenances()))
			}
		},
		"search that lags": func(t *testing.T, b *bench) {
			b.record.onSearch = func(string, []json.RawMessage) []json.RawMessage { return nil }
			for range 3 {
				if err := b.once(); err != nil {
					t.Fatal(err)
				}
			}
			b.only("Task")
			b.only("DocumentReference")
		},
		"hits that are not ours": func(t *testing.T, b *bench) {
			b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
				stray := fmt.Sprintf(`{"resourceType":%q,"id":"s1","status":"accepted","for":{"reference":%q},
					"identifier":[{"system":"urn:dwellwatch:referral","value":"another"},{"system":"x","value":%q}]}`,
					typ, b.document.Assessment.Patient, b.key())
				wrong := fmt.Sprintf(`{"resourceType":%q,"id":"s2","status":"accepted","for":{"reference":"Patient/other"},
					"subject":{"reference":"Patient/other"},"identifier":[{"system":"urn:dwellwatch:referral","value":%q}]}`, typ, b.key())
				return append(hits, json.RawMessage(stray), json.RawMessage(wrong))
			}
			b.converge()
			b.only("Task")
		},
	})
}

func TestLostRepliesMakeNoSecondTask(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	for name, habits := range map[string]map[string]any{
		"every reply":                      {"dropReplies": 1},
		"every second reply":               {"dropReplies": 2},
		"every reply without transactions": {"dropReplies": 1, "noTransactions": true},
	} {
		t.Run(name, func(t *testing.T) {
			peer.Reset(t)
			peer.Habits(t, habits)
			// The peer has done its work before it drops the reply, so the wait may be short here.
			b := newBench(t, peer, "", func(c *writeback.Config) { c.Timeout = 100 * time.Millisecond })
			tries := b.converge()
			b.want(func(d *compose.Document) { d.Referral.Revision, d.Referral.Priority = 2, "asap" })
			tries += b.converge()
			if fired := peer.Log(t).Fired["dropReplies"]; fired == 0 || tries <= 2 {
				t.Fatalf("no reply was lost (%d), %d tries", fired, tries)
			}
			if task := b.only("Task"); get(task, "priority") != "asap" {
				t.Errorf("priority %s", get(task, "priority"))
			}
			if n := len(b.entries("DocumentReference")); n != 2 {
				t.Errorf("%d documents, want 2", n)
			}
			if n := len(b.provenances()); n != 2 {
				t.Errorf("%d Provenances, want 2", n)
			}
			b.current()
			peer.Habits(t, nil)
			b.quiet()
			b.sound()
		})
	}
}

func TestARecordWithoutTransactions(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t, peertest.WithHabits(map[string]any{"noTransactions": true}))
	b := newBench(t, peer, "")
	b.converge()
	task, document := b.only("Task"), b.only("DocumentReference")
	if got, want := get(task, "input.3.valueReference.reference"), "DocumentReference/"+get(document, "id"); got != want {
		t.Errorf("the Task names %q, want %q", got, want)
	}
	if len(b.provenances()) != 1 {
		t.Errorf("%d Provenances", len(b.provenances()))
	}
	b.quiet()
	b.sound()
}

func TestConflictsAreTriedAgain(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	b := newBench(t, peer, "")
	peer.Habits(t, map[string]any{"conflictEvery": 1})
	later, ok := errors.AsType[*writeback.Later](b.once())
	if !ok || later.After < time.Second || later.After > time.Minute {
		t.Fatalf("got %v, want Later", later)
	}
	if n := b.record.writes.Load(); n != 5 {
		t.Errorf("%d tries, want 5", n)
	}
	if b.store.held() {
		t.Error("the lease was kept although the outcome is known")
	}
	peer.Habits(t, map[string]any{"conflictEvery": 2})
	if tries := b.converge() + b.converge(); tries != 2 {
		t.Errorf("%d tries, want 2", tries)
	}
	b.only("Task")
	b.only("DocumentReference")
}

// batcher is a proxy that turns transactions into batches, as a server does that lacks the switch for them; references
// between entries stay as they were sent.
func batcher(t *testing.T, peer *peertest.Peer) string {
	t.Helper()
	target, err := url.Parse(strings.TrimSuffix(peer.BaseURL, "/fhir"))
	if err != nil {
		t.Fatal(err)
	}
	proxy := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(target)
		if r.In.Method != http.MethodPost || r.In.URL.Path != "/fhir" {
			return
		}
		body, err := io.ReadAll(r.In.Body)
		if err != nil {
			t.Error(err)
		}
		body = bytes.Replace(body, []byte(`"type":"transaction"`), []byte(`"type":"batch"`), 1)
		body = regexp.MustCompile(`"fullUrl":"[^"]*",`).ReplaceAll(body, nil) // so that nothing can be resolved
		r.Out.Body, r.Out.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
	}}
	s := httptest.NewServer(proxy)
	t.Cleanup(s.Close)
	return s.URL + "/fhir"
}

func TestATransactionCarriedOutAsABatch(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	b := newBench(t, peer, batcher(t, peer))
	b.converge()
	task, document := b.only("Task"), b.only("DocumentReference")
	want := "DocumentReference/" + get(document, "id")
	if got := get(task, "input.3.valueReference.reference"); got != want || get(task, "input.#") != "4" {
		t.Errorf("the Task names %q, want %q", got, want)
	}
	all := peer.Search(t, "Provenance?_count=100")
	if len(all) != 1 || get(all[0], "target.0.reference") != want || get(all[0], "target.1.reference") != "Task/"+get(task, "id") {
		t.Errorf("Provenances: %s", all)
	}
	b.quiet()
	b.sound()
	b.want(func(d *compose.Document) { d.Referral.Revision = 2 })
	b.converge()
	b.current()
	b.sound()
}
