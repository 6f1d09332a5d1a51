package writeback_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/writeback"

	"github.com/google/go-cmp/cmp"
)

// deaf is a record that does not heed the identifier in a search: it answers with so many entries of others, as far as they are
// asked for, and then with all that the rest of the query finds.
type deaf struct {
	writeback.Record
	strangers int
}

func (d deaf) Search(ctx context.Context, typ string, query url.Values, limit int) ([]json.RawMessage, error) {
	if !query.Has("identifier") {
		return d.Record.Search(ctx, typ, query, limit)
	}
	var hits []json.RawMessage
	for n := range d.strangers {
		hits = append(hits, json.RawMessage(fmt.Sprintf(`{"resourceType":"%s","id":"stranger-%d"}`, typ, n)))
	}
	return hits[:min(limit, len(hits))], nil
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
		"another installation's Task is found where identifiers are not heeded, behind many of others": func(t *testing.T, b *bench) {
			other := b.config.Site
			other.Installation = otherInstallation
			id := b.plant(compose.Task(b.document, other, time.Now(), ""))
			config := b.config
			config.Record = deaf{b.config.Record, 120}
			b.converger = writeback.New(config)
			b.converge()
			if task := b.only("Task"); get(task, "id") != id {
				t.Errorf("%s", task)
			}
			b.sound()
		},
		"another installation's document that says the same stands": func(t *testing.T, b *bench) {
			id := b.ofAnother("means this")
			b.want(func(d *compose.Document) {
				d.Referral.Meaning, d.Referral.DueOn = "means this", d.Referral.DueOn.Add(10)
			})
			b.converge()
			if get(b.current(), "id") != id || len(b.entries("DocumentReference")) != 1 {
				t.Errorf("documents: %s", b.entries("DocumentReference"))
			}
			task := b.only("Task")
			if get(task, "input.3.valueReference.reference") != "DocumentReference/"+id || get(task, "restriction.period.end") != "2026-03-29" {
				t.Errorf("the Task: %s", task)
			}
			b.quiet()
			b.want(func(d *compose.Document) { d.Referral.Reason = "" }) // the same revision once more
			b.converge()
			if n := len(b.entries("DocumentReference")); n != 1 {
				t.Errorf("%d documents, want 1", n)
			}
			b.want(func(d *compose.Document) { d.Referral.Revision = 2 })
			b.converge()
			if n := len(b.entries("DocumentReference")); n != 2 || get(b.current(), "relatesTo.0.target.reference") != "DocumentReference/"+id {
				t.Errorf("%d documents, current: %s", n, b.current())
			}
		},
		"another installation's document that says something else is replaced": func(t *testing.T, b *bench) {
			id := b.ofAnother("means something else")
			b.want(func(d *compose.Document) { d.Referral.Meaning = "means this" })
			b.converge()
			if n := len(b.entries("DocumentReference")); n != 2 || get(b.current(), "id") == id {
				t.Errorf("%d documents, current: %s", n, b.current())
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

// ofAnother plants Task and document as another installation of ours would have left them, and gives the document's id.
func (b *bench) ofAnother(meaning string) string {
	b.t.Helper()
	site, document := b.config.Site, b.document
	site.Installation = otherInstallation
	document.Referral.Meaning = meaning
	id := b.plant(compose.DocumentReference(document, site, time.Now(), []byte("%PDF"), ""))
	b.plant(compose.Task(document, site, time.Now(), "DocumentReference/"+id))
	return id
}
