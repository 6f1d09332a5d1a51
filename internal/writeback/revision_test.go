package writeback_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/writeback"

	"github.com/google/go-cmp/cmp"
)

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
		"a Task that people took up becomes urgent and keeps its status": func(t *testing.T, b *bench) {
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
			b.want(urgent)
			b.converge()
			task := b.only("Task")
			if get(task, "status") != "accepted" || get(task, "priority") != "urgent" || get(task, "reasonCode.coding.0.code") != "urgent" {
				t.Errorf("task: %s", task)
			}
			b.quiet()
			b.sound()
		},
		"a Task that people took up stays as it is": func(t *testing.T, b *bench) {
			b.converge()
			taken := b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
			b.want(func(d *compose.Document) { d.Referral.Revision, d.Referral.Priority = 2, "asap" })
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
		"what is drawn knows what it replaces": func(t *testing.T, b *bench) {
			b.drawn()
			b.converge()
			first := b.document
			b.want(followUp)
			b.converge()
			// While the record was away two revisions were decided on; the one in it is the one to compare with.
			b.want(followUp)
			b.want(followUp)
			b.converge()
			if diff := cmp.Diff("1.1 replaces nothing, 1.2 replaces 1.1, 1.4 replaces 1.2", strings.Join(b.versions, ", ")); diff != "" {
				t.Error(diff)
			}
			b.quiet()
			b.document = first
			b.forget()
			b.want(func(d *compose.Document) { d.Referral.Round, d.Earlier = 2, nil })
			b.converge()
			if got := b.versions[len(b.versions)-1]; got != "2.1 replaces what is not known" {
				t.Errorf("without what was saved: %s", got)
			}
			b.sound()
		},
		"a lost database's document is known by its meaning": func(t *testing.T, b *bench) {
			b.drawn()
			b.document.Referral.Meaning = "m1"
			other := b.config.Site
			other.Installation = otherInstallation
			b.plant(compose.DocumentReference(b.document, other, time.Now(), []byte("%PDF-1.7 other"), ""))
			b.want(nil)
			b.converge()
			b.want(func(d *compose.Document) { followUp(d); d.Referral.Meaning = "m2" })
			b.converge()
			if diff := cmp.Diff("1.2 replaces 1.1", strings.Join(b.versions, ", ")); diff != "" {
				t.Error(diff)
			}
			b.want(func(d *compose.Document) { followUp(d); d.Referral.Meaning, d.Earlier = "m3", nil })
			b.converge()
			if got := b.versions[len(b.versions)-1]; got != "1.3 replaces what is not known" {
				t.Errorf("without what was saved: %s", got)
			}
			b.quiet()
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

// followUp makes the next revision as the worker does, which knows of no receipt here.
func followUp(d *compose.Document) {
	d.Earlier = d.Followed(func(draft.Referral) bool { return false })
	d.Referral.Revision++
}

// drawn notes of each document that is drawn which one it knows to replace.
func (b *bench) drawn() {
	render := b.config.Render
	b.config.Render = func(d compose.Document) ([]byte, error) {
		what := "nothing"
		switch {
		case d.Since != nil && d.Since.Said != nil:
			what = fmt.Sprintf("%d.%d", d.Since.Said.Referral.Round, d.Since.Said.Referral.Revision)
		case d.Since != nil:
			what = "what is not known"
		}
		b.versions = append(b.versions, fmt.Sprintf("%d.%d replaces %s", d.Referral.Round, d.Referral.Revision, what))
		return render(d)
	}
	b.converger = writeback.New(b.config)
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
			if b.store.readAgain != 0 {
				t.Error("the Task is to be read again although it was ended with all that matters told")
			}
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
	tests["ended before it said that the matter is urgent"] = func(t *testing.T, b *bench) {
		b.converge()
		b.byOthers(b.only("Task"), map[string]any{"status": "rejected"})
		b.want(func(d *compose.Document) { d.Referral.Priority, d.Referral.Revision = "urgent", 2 })
		b.converge()
		if get(b.only("Task"), "status") != "rejected" || b.store.readAgain == 0 {
			t.Errorf("asked to read the Task %d times, want it read so that the referral begins anew", b.store.readAgain)
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
