package writeback_test

import (
	"errors"
	"testing"

	"github.com/tidwall/sjson"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/writeback"
)

// copied plants a copy of a resource as somebody else makes it.
func (b *bench) copied(raw []byte) {
	b.t.Helper()
	for _, path := range []string{"id", "meta"} {
		var err error
		if raw, err = sjson.DeleteBytes(raw, path); err != nil {
			b.t.Fatal(err)
		}
	}
	b.plant(raw, nil)
}

func (b *bench) look() {
	b.t.Helper()
	if err := b.converger.Look(b.t.Context(), b.key()); err != nil {
		b.t.Fatalf("look: %v", err)
	}
}

// open counts what stands: Tasks that have not ended, and current documents.
func (b *bench) open() (tasks, documents int) {
	for _, t := range b.entries("Task") {
		if get(t, "status") != "cancelled" {
			tasks++
		}
	}
	for _, d := range b.entries("DocumentReference") {
		if get(d, "status") == "current" {
			documents++
		}
	}
	return tasks, documents
}

// TestLook: a copy that comes to light after all was written is retired; a look makes and changes nothing else.
func TestLook(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"copies of Task and document": func(t *testing.T, b *bench) {
			b.converge()
			b.copied(b.only("Task"))
			b.copied(b.only("DocumentReference"))
			if tasks, documents := b.open(); tasks != 2 || documents != 2 {
				t.Fatalf("%d Tasks, %d documents before the look", tasks, documents)
			}
			b.look()
			if tasks, documents := b.open(); tasks != 1 || documents != 1 {
				t.Errorf("%d Tasks, %d documents after it", tasks, documents)
			}
			b.look()
			if b.store.looked != 1 {
				t.Errorf("%d looks found nothing amiss, want the second", b.store.looked)
			}
			b.sound()
		},
		"a copy after the referral was closed": func(t *testing.T, b *bench) {
			b.converge()
			task := b.only("Task")
			b.want(closeIt)
			b.converge()
			b.copied(task)
			b.look()
			if tasks, _ := b.open(); tasks != 0 {
				t.Errorf("%d Tasks are open of a referral that is closed", tasks)
			}
		},
		"what people changed, and what they deleted": func(t *testing.T, b *bench) {
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"description": "Call the ward first."})
			before := b.record.writes.Load()
			b.look()
			if got := get(b.only("Task"), "description"); got != "Call the ward first." || b.record.writes.Load() != before {
				t.Errorf("%q after %d writes", got, b.record.writes.Load()-before)
			}
		},
		"before anything was written": func(t *testing.T, b *bench) {
			b.look()
			if n := b.record.writes.Load(); n != 0 || len(b.entries("Task")) != 0 {
				t.Errorf("%d writes", n)
			}
		},
	})
}

// TestMovedInTheRecord: people gave our Task and document to another patient. They are taken back there once, somebody is told, and
// the record is not asked again and again.
func TestMovedInTheRecord(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"both": func(t *testing.T, b *bench) {
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"for.reference": "Patient/survivor"})
			b.byOthers(b.only("DocumentReference"), map[string]any{"subject.reference": "Patient/survivor"})
			b.want(revise)
			for range 2 {
				if err := b.once(); !errors.Is(err, fault.Refused) {
					t.Fatalf("converge: %v, want a call for attention", err)
				}
			}
			if n := len(b.store.attention); n != 2 || b.store.attention[0] != writeback.AttentionOtherPatient {
				t.Errorf("attention %v", b.store.attention)
			}
			if task, document := b.only("Task"), b.only("DocumentReference"); get(task, "status") != "cancelled" || get(document, "status") != "entered-in-error" {
				t.Errorf("%s\n%s", task, document)
			}
			before := b.record.writes.Load()
			if err := b.once(); !errors.Is(err, fault.Refused) || b.record.writes.Load() != before {
				t.Errorf("%v after %d further writes", err, b.record.writes.Load()-before)
			}
		},
	})
}
