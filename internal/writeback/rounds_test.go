package writeback_test

import (
	"bytes"
	"strings"
	"testing"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/writeback"
)

// asks makes the wanted Task ask the given verdict's question of its addressee.
func asks(d *compose.Document, verdict string, to draft.Addressee) {
	d.Assessment.Filters[0].Verdict, d.Referral.To = verdict, to
}

// TestRounds: a new round ends an earlier Task that people took up only where it asked whether a filter is in; any other
// stays theirs, and no second Task stands beside it.
func TestRounds(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"whether a filter is in, taken up, then answered": func(t *testing.T, b *bench) {
			b.want(func(d *compose.Document) { asks(d, "clarify", draft.ToCoordinator) })
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"status": "in-progress"})
			b.want(func(d *compose.Document) {
				asks(d, "refer", draft.ToClinic)
				d.Referral.Round, d.Referral.Revision = 2, 1
			})
			b.converge()
			var open, answered int
			for _, task := range b.entries("Task") {
				switch {
				case get(task, "status") == "draft" && get(task, "reasonCode.coding.0.code") == "refer":
					open++
				case get(task, "status") == "completed" && get(task, "statusReason.coding.0.code") == "answered":
					answered++
				default:
					t.Errorf("%s", task)
				}
			}
			if open != 1 || answered != 1 {
				t.Errorf("%d open, %d answered; want one each", open, answered)
			}
			b.quiet()
			b.sound()
		},
		"whether a filter is in, taken up, then nothing to ask": func(t *testing.T, b *bench) {
			b.want(func(d *compose.Document) { asks(d, "clarify", draft.ToCoordinator) })
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
			b.want(func(d *compose.Document) { d.Referral.Reason = draft.NotDue })
			b.converge()
			if task := b.only("Task"); get(task, "status") != "completed" || get(task, "statusReason.coding.0.code") != "answered" {
				t.Errorf("%s", task)
			}
			b.quiet()
			b.sound()
		},
		"whether a filter is in, of a lost database, taken up, then answered": func(t *testing.T, b *bench) {
			other := b.config
			other.Site.Installation = otherInstallation
			b.want(func(d *compose.Document) { asks(d, "clarify", draft.ToCoordinator) })
			b.converger = writeback.New(other)
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
			b.forget()
			b.converger = writeback.New(b.config)
			b.want(func(d *compose.Document) { asks(d, "refer", draft.ToClinic) })
			b.converge()
			status := map[string]int{}
			for _, task := range b.entries("Task") {
				status[get(task, "status")+" "+get(task, "reasonCode.coding.0.code")]++
			}
			if status["completed clarify"] != 1 || status["draft refer"] != 1 || len(status) != 2 {
				t.Errorf("Tasks %v, want the question answered and the clinic asked", status)
			}
			b.quiet()
		},
		"a Task of a patient who was merged into another": func(t *testing.T, b *bench) {
			b.converge()
			before := b.document.Assessment.Patient
			b.store.wanted.Patients = []string{strings.TrimPrefix(before, "Patient/"), "survivor"}
			b.want(func(d *compose.Document) {
				asks(d, "urgent", draft.ToClinic)
				d.Assessment.Patient, d.Referral.Priority = "Patient/survivor", "urgent"
				d.Referral.Round, d.Referral.Revision = 2, 1
			})
			b.converge()
			status := map[string]int{}
			for _, task := range b.entries("Task") {
				status[get(task, "status")+" "+get(task, "for.reference")]++
			}
			if status["cancelled "+before] != 1 || status["draft Patient/survivor"] != 1 || len(status) != 2 {
				t.Errorf("Tasks %v, want the survivor's and no other open", status)
			}
			b.quiet()
		},
		"a Task of a patient who is another person again": func(t *testing.T, b *bench) {
			b.converge()
			before := b.document.Assessment.Patient
			b.store.wanted.Patients = []string{"parted"}
			b.want(func(d *compose.Document) {
				d.Assessment.Patient = "Patient/parted"
				d.Referral.Round, d.Referral.Revision = 2, 1
			})
			b.converge()
			status := map[string]int{}
			for _, task := range b.entries("Task") {
				status[get(task, "status")+" "+get(task, "for.reference")+" "+get(task, "statusReason.coding.0.code")]++
			}
			if status["cancelled "+before+" other-patient"] != 1 || status["draft Patient/parted "] != 1 || len(status) != 2 {
				t.Errorf("Tasks %v, want none open in the other chart", status)
			}
			for _, document := range b.entries("DocumentReference") {
				if about := get(document, "subject.reference"); about == before && get(document, "status") != "entered-in-error" {
					t.Errorf("the document in the other chart is %s", get(document, "status"))
				}
			}
			b.quiet()
		},
		"a question of a lost database that was answered": func(t *testing.T, b *bench) {
			other := b.config
			other.Site.Installation = otherInstallation
			b.want(func(d *compose.Document) { asks(d, "clarify", draft.ToCoordinator) })
			b.converger = writeback.New(other)
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"status": "completed"})
			b.forget()
			b.converger = writeback.New(b.config)
			b.want(func(d *compose.Document) { asks(d, "refer", draft.ToClinic) })
			b.converge()
			if n := len(b.entries("Task")); n != 2 {
				t.Errorf("%d Tasks, want the answered one and the clinic's", n)
			}
			b.quiet()
		},
		"a draft for the coordinator becomes the clinic's": func(t *testing.T, b *bench) {
			b.want(func(d *compose.Document) { asks(d, "clarify", draft.ToCoordinator) })
			b.converge()
			b.want(func(d *compose.Document) {
				asks(d, "refer", draft.ToClinic)
				d.Referral.Round, d.Referral.Revision = 2, 1
			})
			b.converge()
			if task := b.only("Task"); get(task, "status") != "draft" || get(task, "reasonCode.coding.0.code") != "refer" {
				t.Errorf("%s", task)
			}
			b.quiet()
			b.sound()
		},
		"the clinic's, taken up, stays the clinic's": func(t *testing.T, b *bench) {
			b.want(func(d *compose.Document) { asks(d, "refer", draft.ToClinic) })
			b.converge()
			taken := b.byOthers(b.only("Task"), map[string]any{"status": "in-progress"})
			b.want(func(d *compose.Document) {
				asks(d, "clarify", draft.ToCoordinator)
				d.Referral.Round, d.Referral.Revision = 2, 1
			})
			b.converge()
			if task := b.only("Task"); !bytes.Equal(task, taken) {
				t.Errorf("the clinic's Task was touched: %s", task)
			}
			b.quiet()
		},
	})
}
