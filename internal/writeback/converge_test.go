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
	"strings"
	"sync"
	"testing"
	"time"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
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
				{Kind: "Task", Round: 1, Revision: 1, ResourceID: get(task, "id"), VersionID: get(task, "meta.versionId"), Status: "draft"},
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
	for name, habits := range map[string]map[string]any{
		"every reply":                      {"dropReplies": 1},
		"every second reply":               {"dropReplies": 2},
		"every reply without transactions": {"dropReplies": 1, "noTransactions": true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			peer := peertest.Start(t, peertest.WithHabits(habits))
			b := newBench(t, peer, "")
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

// batcher is a proxy that turns transactions into batches, as a server does that lacks the switch for them.
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

func TestRevisions(t *testing.T) {
	t.Parallel()
	urgent := func(d *compose.Document) {
		d.Referral.Revision, d.Referral.Priority = 2, "urgent"
		d.Assessment.Filters[0].Verdict = "urgent"
	}
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"the new document replaces the old": func(t *testing.T, b *bench) {
			b.converge()
			first := b.only("DocumentReference")
			b.want(urgent)
			b.converge()
			task, now := b.only("Task"), b.current()
			if get(now, "relatesTo.0.target.reference") != "DocumentReference/"+get(first, "id") ||
				get(now, "relatesTo.0.code") != "replaces" {
				t.Errorf("relatesTo: %s", now)
			}
			if get(task, "priority") != "urgent" || get(task, "reasonCode.coding.0.code") != "urgent" ||
				get(task, "input.3.valueReference.reference") != "DocumentReference/"+get(now, "id") || get(task, "input.#") != "4" {
				t.Errorf("task: %s", task)
			}
			if n := len(b.entries("DocumentReference")); n != 2 || len(b.provenances()) != 2 {
				t.Errorf("%d documents, %d Provenances", n, len(b.provenances()))
			}
			b.quiet()
			b.sound()
		},
		"fields of others survive": func(t *testing.T, b *bench) {
			b.converge()
			foreign := map[string]any{"status": "requested", "owner.reference": "Practitioner/somebody",
				"note.0.text": "called the ward", "extension.0": map[string]any{"url": "https://record.example/x", "valueString": "kept"},
				"_priority.extension.0": map[string]any{"url": "https://record.example/y", "valueCode": "z"},
				"businessStatus.text":   "on the list", "input.-1": map[string]any{"type": map[string]any{"text": "theirs"}, "valueString": "kept"}}
			b.byOthers(b.only("Task"), foreign)
			b.want(urgent)
			b.converge()
			task := b.only("Task")
			for path, want := range map[string]string{"status": "requested", "owner.reference": "Practitioner/somebody",
				"note.0.text": "called the ward", "extension.0.valueString": "kept", "_priority.extension.0.valueCode": "z",
				"businessStatus.text": "on the list", "input.0.valueString": "kept", "priority": "urgent"} {
				if got := get(task, path); got != want {
					t.Errorf("%s = %q, want %q", path, got, want)
				}
			}
			b.quiet()
			b.sound()
		},
		"a Task that people took up stays as it is": func(t *testing.T, b *bench) {
			b.converge()
			taken := b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
			b.want(urgent)
			b.converge()
			if diff := cmp.Diff(string(taken), string(b.only("Task"))); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
			if n := len(b.entries("DocumentReference")); n != 2 || get(b.current(), "relatesTo.0.code") != "replaces" {
				t.Errorf("%d documents", n)
			}
			b.quiet()
			b.sound()
		},
		"a restored database undoes nothing": func(t *testing.T, b *bench) {
			b.converge()
			b.want(urgent)
			b.converge()
			later := b.current()
			b.want(func(d *compose.Document) { d.Referral.Revision = 1 })
			b.forget()
			b.converge()
			if get(b.current(), "id") != get(later, "id") {
				t.Error("the later document was superseded")
			}
			if got := get(b.only("Task"), "input.3.valueReference.reference"); got != "DocumentReference/"+get(later, "id") {
				t.Errorf("the Task names %s", got)
			}
			if diff := cmp.Diff([]string{writeback.AttentionOutOfStep}, b.store.attention); diff != "" {
				t.Error(diff)
			}
			b.quiet()
		},
	})
}

func TestATaskThatPeopleEndedIsNotAskedAgainInItsRound(t *testing.T) {
	t.Parallel()
	tests := map[string]func(*testing.T, *bench){}
	for _, status := range []string{"rejected", "cancelled", "completed", "failed", "entered-in-error"} {
		tests[status] = func(t *testing.T, b *bench) {
			b.converge()
			ended := b.byOthers(b.only("Task"), map[string]any{"status": status, "statusReason.text": "seen in clinic"})
			b.want(func(d *compose.Document) { d.Referral.Priority = "asap" })
			b.converge()
			if diff := cmp.Diff(string(ended), string(b.only("Task"))); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
			b.quiet()
			b.want(func(d *compose.Document) { d.Referral.Round = 2 })
			b.converge()
			if n := len(b.entries("Task")); n != 2 {
				t.Fatalf("%d Tasks after a new round, want 2", n)
			}
			if got := b.store.wanted.Receipts[0]; got.Status != "draft" || got.Round != 2 || got.ResourceID == get(ended, "id") {
				t.Errorf("receipt %+v", got)
			}
			b.current()
			b.quiet()
			b.sound()
		}
	}
	tests["ended before the database was lost"] = func(t *testing.T, b *bench) {
		other := b.config.Site
		other.Installation = otherInstallation
		id := b.plant(compose.Task(b.document, other, time.Now(), ""))
		b.byOthers(b.only("Task"), map[string]any{"status": "rejected"})
		b.converge()
		if get(b.only("Task"), "id") != id || len(b.entries("DocumentReference")) != 0 {
			t.Error("people were asked again")
		}
		b.want(func(d *compose.Document) { d.Referral.Round = 2 })
		b.converge()
		if n := len(b.entries("Task")); n != 2 {
			t.Errorf("%d Tasks after a new round, want 2", n)
		}
	}
	onSharedPeer(t, tests)
}

func TestCopies(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"another installation's Task is adopted": func(t *testing.T, b *bench) {
			other := b.config.Site
			other.Installation = otherInstallation
			id := b.plant(compose.Task(b.document, other, time.Now(), ""))
			b.converge()
			task := b.only("Task")
			if get(task, "id") != id || get(task, "identifier.#") != "3" {
				t.Errorf("%s", task)
			}
			if got := get(task, "input.3.valueReference.reference"); got != "DocumentReference/"+get(b.current(), "id") {
				t.Errorf("the Task names %q", got)
			}
			b.quiet()
			b.sound()
		},
		"untouched copies are retired": func(t *testing.T, b *bench) {
			for range 3 {
				b.plant(compose.Task(b.document, b.config.Site, time.Now(), ""))
				b.plant(compose.DocumentReference(b.document, b.config.Site, time.Now(), []byte("%PDF"), ""))
			}
			b.converge()
			tasks := b.entries("Task")
			if len(tasks) != 3 || get(tasks[0], "status") != "draft" {
				t.Fatalf("the lowest id must stay: %s", tasks)
			}
			for _, task := range tasks[1:] {
				if get(task, "status") != "cancelled" || get(task, "statusReason.text") != "duplicate of Task/"+get(tasks[0], "id") {
					t.Errorf("%s: %s", get(task, "status"), get(task, "statusReason.text"))
				}
			}
			documents := b.entries("DocumentReference")
			if len(documents) != 3 || get(documents[0], "status") != "current" ||
				get(documents[1], "status") != "entered-in-error" || get(documents[2], "status") != "entered-in-error" {
				t.Errorf("documents: %s", documents)
			}
			b.quiet()
			b.sound()
		},
		"the copy that people took up stays": func(t *testing.T, b *bench) {
			for range 3 {
				b.plant(compose.Task(b.document, b.config.Site, time.Now(), ""))
			}
			taken := b.byOthers(b.entries("Task")[2], map[string]any{"status": "in-progress"})
			b.converge()
			tasks := b.entries("Task")
			if get(tasks[0], "status") != "cancelled" || get(tasks[1], "status") != "cancelled" {
				t.Errorf("untouched copies: %s", tasks)
			}
			if diff := cmp.Diff(string(taken), string(tasks[2])); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
			b.quiet()
		},
		"two that people took up both stay": func(t *testing.T, b *bench) {
			for range 2 {
				b.plant(compose.Task(b.document, b.config.Site, time.Now(), ""))
			}
			for _, task := range b.entries("Task") {
				b.byOthers(task, map[string]any{"status": "accepted"})
			}
			b.converge()
			for _, task := range b.entries("Task") {
				if get(task, "status") != "accepted" {
					t.Errorf("status %s", get(task, "status"))
				}
			}
			if diff := cmp.Diff([]string{writeback.AttentionCopies}, b.store.attention); diff != "" {
				t.Error(diff)
			}
		},
		"our identifier on another patient": func(t *testing.T, b *bench) {
			wrong := b.document
			wrong.Assessment.Patient = "Patient/somebody-else"
			b.plant(compose.Task(wrong, b.config.Site, time.Now(), ""))
			b.record.onWrite = func(what string) error {
				if what == "POST Bundle" {
					return refused(http.StatusNotImplemented)
				}
				return nil
			}
			err := b.once()
			if err == nil || !strings.Contains(err.Error(), writeback.AttentionOtherPatient) {
				t.Fatalf("got %v", err)
			}
			if get(b.only("Task"), "for.reference") != "Patient/somebody-else" {
				t.Error("the Task was changed")
			}
		},
	})
}

func TestClosing(t *testing.T) {
	t.Parallel()
	tests := map[string]func(*testing.T, *bench){}
	for _, reason := range []draft.Reason{draft.Removed, draft.Deceased, draft.Retracted, draft.Merged, draft.Answered,
		draft.NotDue, draft.AskedAlready} {
		for _, status := range []string{"draft", "requested", "accepted"} {
			want := "cancelled"
			if status == "accepted" {
				want = map[draft.Reason]string{draft.Removed: "completed", draft.Answered: "completed",
					draft.NotDue: "accepted", draft.AskedAlready: "accepted"}[reason]
				if want == "" {
					want = "cancelled"
				}
			}
			tests[string(reason)+" "+status] = func(t *testing.T, b *bench) {
				b.converge()
				before := b.byOthers(b.only("Task"), map[string]any{"status": status, "note.0.text": "kept"})
				b.want(func(d *compose.Document) {
					d.Referral.Reason = reason
					d.Assessment.Filters[0].Removed = &assess.Range{Earliest: text("2099-01-01"), Latest: text("2099-01-02")}
				})
				b.converge()
				task := b.only("Task")
				if get(task, "status") != want || get(task, "note.0.text") != "kept" {
					t.Errorf("status %s, want %s", get(task, "status"), want)
				}
				if want != status && (get(task, "statusReason.coding.0.code") != string(reason) || get(task, "statusReason.text") == "") {
					t.Errorf("statusReason: %s", task)
				}
				if want == status && !bytes.Equal(before, task) {
					t.Errorf("the Task was touched: %s", task)
				}
				document := "current"
				if reason == draft.Retracted {
					document = "entered-in-error"
				}
				if got := get(b.only("DocumentReference"), "status"); got != document {
					t.Errorf("document %s, want %s", got, document)
				}
				if got := b.store.wanted.Receipts[0]; got.Kind != "Task" || got.Status != want {
					t.Errorf("receipt %+v", got)
				}
				b.quiet()
				b.sound()
			}
		}
	}
	tests["removed before the Task was written"] = func(t *testing.T, b *bench) {
		b.converge()
		b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
		for _, removed := range []*assess.Range{nil, {}, {Earliest: text("2020-01-01"), Latest: text("2099-01-01")}} {
			b.want(func(d *compose.Document) {
				d.Referral.Reason, d.Assessment.Filters[0].Removed = draft.Removed, removed
			})
			b.converge()
			if got := get(b.only("Task"), "status"); got != "accepted" {
				t.Errorf("removed %+v: status %s", removed, got)
			}
		}
	}
	tests["no context leaves everything"] = func(t *testing.T, b *bench) {
		b.converge()
		task := b.only("Task")
		b.want(func(d *compose.Document) { d.Referral.Reason = draft.NoContext })
		b.converge()
		if !bytes.Equal(task, b.only("Task")) {
			t.Error("the Task was touched")
		}
	}
	tests["never asked"] = func(t *testing.T, b *bench) {
		b.want(func(d *compose.Document) { d.Referral.Round, d.Referral.Reason = 0, draft.NotDue })
		b.converge()
		if b.record.writes.Load() != 0 || len(b.store.wanted.Receipts) != 0 {
			t.Error("something was written")
		}
	}
	onSharedPeer(t, tests)
}

func TestVariantsAreSound(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	for _, verdict := range []string{"urgent", "refer", "review", "clarify"} {
		for _, owned := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s owned %v", verdict, owned), func(t *testing.T) {
				t.Parallel()
				b := newBench(t, peer, "", func(c *writeback.Config) {
					if owned {
						c.Site.ClinicOwner, c.Site.CoordinatorOwner = "Organization/clinic", "PractitionerRole/coord"
						c.Site.Custodian = "Organization/hospital"
					}
				})
				b.want(func(d *compose.Document) {
					f := &d.Assessment.Filters[0]
					f.Verdict, d.Referral.Priority = verdict, map[string]string{"urgent": "stat", "refer": "asap"}[verdict]
					if d.Referral.Priority == "" {
						d.Referral.Priority = "routine"
					}
					f.Emergency = verdict == "urgent"
					if verdict == "clarify" {
						d.Referral.To, f.Placed, f.Focus = draft.ToCoordinator, nil, ""
					}
					f.Evidence = append(f.Evidence, "https://other.example/fhir/Procedure/x9")
					d.Referral.BasedOn = []string{"ServiceRequest/s1"}
				})
				bundle, err := compose.TransactionBundle(b.document, b.config.Site, time.Now(), []byte("%PDF"), "DocumentReference/old")
				if err != nil {
					t.Fatal(err)
				}
				validate(t, bundle)
				b.converge()
				if owned == (get(b.only("Task"), "owner.reference") == "") {
					t.Errorf("owner: %s", b.only("Task"))
				}
				b.sound()
				b.want(func(d *compose.Document) { d.Referral.Reason = draft.Deceased })
				b.converge()
				b.sound()
				b.quiet()
			})
		}
	}
}

func TestFaultsSayWhatTheQueueMustDo(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	unknown := fmt.Errorf("POST Bundle: %w", rest.ErrUnknownOutcome)
	slow := refused(http.StatusTooManyRequests)
	slow.RetryAfter = 7 * time.Minute
	for name, tc := range map[string]struct {
		err       error
		attention string
		terminal  bool
		keeps     bool // the lease
		from, to  time.Duration
	}{
		"unknown outcome": {unknown, "", false, true, clientTimeout / 2, clientTimeout + time.Second},
		"bad gateway":     {refused(502), "", false, true, clientTimeout / 2, clientTimeout + time.Second},
		"server error":    {refused(500), "", false, true, clientTimeout / 2, clientTimeout + time.Second},
		"not sent":        {refused(0), "", false, false, time.Second, time.Minute},
		"unavailable":     {refused(503), "", false, false, time.Second, time.Minute},
		"too many":        {slow, "", false, false, 7 * time.Minute, 7 * time.Minute},
		"unauthorised":    {refused(401), writeback.AttentionToken, false, false, time.Minute, time.Hour},
		"forbidden":       {refused(403), writeback.AttentionRefused, true, false, 0, 0},
		"unprocessable":   {refused(422), writeback.AttentionRefused, true, false, 0, 0},
		"no version":      {rest.ErrNoVersion, writeback.AttentionNoVersion, true, false, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, peer, "")
			b.record.onWrite = func(string) error { return tc.err }
			err := b.once()
			later, ok := errors.AsType[*writeback.Later](err)
			if ok == tc.terminal || ok && (later.After < tc.from || later.After > tc.to) {
				t.Errorf("got %v (%+v)", err, later)
			}
			if tc.terminal && !errors.Is(err, fault.Refused) {
				t.Errorf("got %v, want fault.Refused", err)
			}
			if got := strings.Join(b.store.attention, " "); got != tc.attention {
				t.Errorf("attention %q, want %q", got, tc.attention)
			}
			if b.store.held() != tc.keeps {
				t.Errorf("lease kept: %v, want %v", b.store.held(), tc.keeps)
			}
			if b.store.marks != 0 {
				t.Error("marked as written")
			}
			if err != nil && (strings.Contains(err.Error(), b.key()) || strings.Contains(err.Error(), "127.0.0.1")) {
				t.Errorf("error says too much: %v", err)
			}
		})
	}
	for name, prepare := range map[string]func(*bench){
		"saved document unreadable": func(b *bench) { b.store.wanted.Document = []byte(`{"assessment":{"filters":[]}}`) },
		"document cannot be drawn":  func(b *bench) { b.want(nil) },
		"no priority":               func(b *bench) { b.want(func(d *compose.Document) { d.Referral.Priority = "" }) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, peer, "", func(c *writeback.Config) {
				if name == "document cannot be drawn" {
					c.Render = func(compose.Document) ([]byte, error) { return nil, errors.New("Testperson Example") }
				}
			})
			prepare(b)
			err := b.once()
			if !errors.Is(err, fault.Refused) || strings.Join(b.store.attention, " ") != writeback.AttentionUnreadable ||
				strings.Contains(err.Error(), "Testperson") {
				t.Errorf("got %v, attention %v", err, b.store.attention)
			}
		})
	}
}

func TestChangesUnderOurHandsAreBounded(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"every update finds another version": func(t *testing.T, b *bench) {
			b.converge()
			b.want(func(d *compose.Document) { d.Referral.Priority = "asap" })
			before := b.record.writes.Load()
			b.record.onWrite = func(string) error { return refused(http.StatusPreconditionFailed) }
			if later, ok := errors.AsType[*writeback.Later](b.once()); !ok || later.After > time.Minute {
				t.Errorf("got %v", later)
			}
			if n := b.record.writes.Load() - before; n < 3 || n > 12 {
				t.Errorf("%d tries", n)
			}
		},
		"one update finds another version": func(t *testing.T, b *bench) {
			b.converge()
			b.want(func(d *compose.Document) { d.Referral.Priority = "asap" })
			meddled := false
			b.record.onWrite = func(string) error {
				if !meddled {
					meddled = true
					b.byOthers(b.only("Task"), map[string]any{"note.0.text": "meanwhile"})
				}
				return nil
			}
			b.converge()
			if task := b.only("Task"); get(task, "note.0.text") != "meanwhile" || get(task, "priority") != "asap" {
				t.Errorf("%s", task)
			}
		},
		"people take it up between look and write": func(t *testing.T, b *bench) {
			b.converge()
			b.want(func(d *compose.Document) { d.Referral.Reason = draft.NotDue })
			meddled := false
			b.record.onWrite = func(string) error {
				if !meddled {
					meddled = true
					b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
				}
				return nil
			}
			b.converge()
			if got := get(b.only("Task"), "status"); got != "accepted" {
				t.Errorf("status %s", got)
			}
		},
		"a create that finds several": func(t *testing.T, b *bench) {
			hidden := true
			for range 2 {
				b.plant(compose.Task(b.document, b.config.Site, time.Now(), ""))
			}
			b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
				if typ == "Task" && hidden {
					hidden = false
					return nil
				}
				return hits
			}
			b.converge()
			if tasks := b.entries("Task"); len(tasks) != 2 || get(tasks[1], "status") != "cancelled" {
				t.Errorf("%s", tasks)
			}
			b.quiet()
		},
		"a lease that lapses while reading": func(t *testing.T, b *bench) {
			planted := false
			b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
				if typ == "DocumentReference" && !planted { // another worker writes while this one is held up
					planted = true
					b.store.mu.Lock()
					b.store.holder, b.store.until = "", time.Time{}
					b.store.mu.Unlock()
					b.plant(compose.Task(b.document, b.config.Site, time.Now(), ""))
					time.Sleep(20 * time.Millisecond)
				}
				return hits
			}
			b.config.Timeout, b.config.Margin = time.Millisecond, time.Millisecond
			b.converger = writeback.New(b.config)
			err := b.once()
			if later, ok := errors.AsType[*writeback.Later](err); err != nil && !ok {
				t.Errorf("got %v, %v", later, err)
			}
			b.only("Task")
		},
	})
}

func TestTheLeaseKeepsOthersOut(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	b := newBench(t, peer, "")
	b.store.holder, b.store.until = "another", time.Now().Add(time.Minute)
	err := b.once()
	if later, ok := errors.AsType[*writeback.Later](err); !ok || !errors.Is(err, writeback.ErrBusy) || later.After <= 0 {
		t.Errorf("got %v", err)
	}
	if b.record.writes.Load() != 0 || b.store.holder != "another" {
		t.Error("the other worker was disturbed")
	}
}
