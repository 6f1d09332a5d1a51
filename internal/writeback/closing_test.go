package writeback_test

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/writeback"
)

func TestClosing(t *testing.T) {
	t.Parallel()
	tests := map[string]func(*testing.T, *bench){}
	for _, reason := range []draft.Reason{draft.Removed, draft.Deceased, draft.Retracted, draft.Merged, draft.Answered,
		draft.NotDue, draft.AskedAlready} {
		for _, status := range []string{"draft", "requested", "accepted"} {
			want := "cancelled"
			if status == "accepted" {
				want = map[draft.Reason]string{draft.Removed: "completed", draft.Answered: "completed",
					draft.NotDue: "accepted", draft.AskedAlready: "accepted", draft.Merged: "accepted"}[reason]
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
				switch reason {
				case draft.Retracted:
					document = "entered-in-error"
				case draft.Merged:
					document = "superseded" // the other key's document tells of the filter, and is the one that counts
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

// TestMergedDocuments: the document of a key that is another's filter now steps back; it is an error once nothing of it was ever there,
// and stands again where the merge is taken back.
func TestMergedDocuments(t *testing.T) {
	t.Parallel()
	because := func(b *bench, reason draft.Reason) {
		b.want(func(d *compose.Document) { d.Referral.Reason = reason })
		b.converge()
	}
	statuses := func(b *bench) string {
		var list []string
		for _, revision := range []string{"1", "2"} {
			for _, d := range b.entries("DocumentReference") {
				if text := "revision " + revision; strings.Contains(decoded(d), text) {
					list = append(list, get(d, "status"))
				}
			}
		}
		return strings.Join(list, ", ")
	}
	two := func(b *bench) {
		b.converge()
		b.want(func(d *compose.Document) { d.Referral.Revision, d.Assessment.Filters[0].Headline = 2, "More." })
		b.converge()
	}
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"merged, then taken back altogether": func(t *testing.T, b *bench) {
			two(b)
			for _, step := range []struct {
				reason draft.Reason
				want   string
			}{{draft.Merged, "superseded, superseded"}, {draft.Retracted, "superseded, entered-in-error"}, {draft.Merged, "superseded, entered-in-error"}} {
				because(b, step.reason)
				if got := statuses(b); got != step.want {
					t.Errorf("%s: documents %s, want %s", step.reason, got, step.want)
				}
				b.quiet()
				b.sound()
			}
		},
		"rejected, merged, and apart again": func(t *testing.T, b *bench) {
			two(b)
			b.byOthers(b.only("Task"), map[string]any{"status": "rejected"})
			because(b, draft.Merged)
			b.want(func(d *compose.Document) { d.Referral.Reason, d.Referral.Restored = draft.Wanted, true })
			b.converge()
			if got := statuses(b); got != "superseded, current" || get(b.only("Task"), "status") != "rejected" {
				t.Errorf("documents %s, Task %s", got, get(b.only("Task"), "status"))
			}
			b.quiet()
			b.sound()
		},
		"what others superseded stays so": func(t *testing.T, b *bench) {
			two(b)
			b.byOthers(b.only("Task"), map[string]any{"status": "rejected"})
			b.byOthers(b.current(), map[string]any{"status": "superseded"})
			because(b, draft.Wanted)
			if got := statuses(b); got != "superseded, superseded" {
				t.Errorf("documents %s", got)
			}
		},
		"the Task is not ended before the document steps back": func(t *testing.T, b *bench) {
			b.converge()
			b.record.onWrite = func(what string) error {
				if what == "PUT DocumentReference" {
					return refused(http.StatusUnprocessableEntity)
				}
				return nil
			}
			b.want(func(d *compose.Document) { d.Referral.Reason = draft.Merged })
			if err := b.once(); err == nil || get(b.only("Task"), "status") != "draft" {
				t.Errorf("error %v, Task %s", err, get(b.only("Task"), "status"))
			}
			b.record.onWrite = nil
			b.converge()
			b.quiet()
		},
		"a current one comes to light later": func(t *testing.T, b *bench) {
			b.converge()
			because(b, draft.Merged)
			b.byOthers(b.only("DocumentReference"), map[string]any{"status": "current"})
			b.look()
			if got := get(b.only("DocumentReference"), "status"); got != "superseded" {
				t.Errorf("document %s", got)
			}
		},
	})
}

// decoded gives what a document says.
func decoded(document []byte) string {
	raw, err := base64.StdEncoding.DecodeString(get(document, "content.0.attachment.data"))
	if err != nil {
		return err.Error()
	}
	return string(raw)
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
				bundle, err := compose.TransactionBundle(b.document, b.config.Site, time.Now(), []byte("%PDF"), "DocumentReference/old", nil)
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
