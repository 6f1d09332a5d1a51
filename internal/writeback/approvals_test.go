package writeback_test

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"testing"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/writeback"
)

const approver = "Dr Example Approver"

// approve makes the order what is wanted, as a person's decision does.
func (b *bench) approve() {
	b.t.Helper()
	b.want(func(d *compose.Document) {
		r, err := draft.Decide(d.Referral, draft.Act{Kind: draft.Approve, By: approver}, false, filter.NewDay(2026, 3, 2))
		if err != nil {
			b.t.Fatal(err)
		}
		d.Referral = r
	})
}

// orderAndProposal gives the two Tasks, or fails.
func (b *bench) orderAndProposal() (order, proposal json.RawMessage) {
	b.t.Helper()
	tasks := b.entries("Task")
	i := slices.IndexFunc(tasks, func(t json.RawMessage) bool { return get(t, "intent") == "order" })
	if len(tasks) != 2 || i < 0 {
		b.t.Fatalf("Tasks %s, want the proposal and its order", tasks)
	}
	return tasks[i], tasks[1-i]
}

// TestApproval: an approved proposal ends in the write that makes its order, and the order is a Task of its own, because a Task's
// intent never changes (http://hl7.org/fhir/R4/task-definitions.html#Task.intent).
func TestApproval(t *testing.T) {
	t.Parallel()
	approved := func(t *testing.T, b *bench, reason string) {
		order, proposal := b.orderAndProposal()
		for path, want := range map[string]string{"status": "requested", "basedOn.0.reference": "Task/" + get(proposal, "id"), "requester.display": approver,
			"note.0.authorString": approver, "description": "Vena cava filter: referral to consider removal. Approved by a clinician from a draft."} {
			if got := get(order, path); got != want {
				t.Errorf("order: %s = %q, want %q", path, got, want)
			}
		}
		if get(proposal, "status") != "cancelled" || get(proposal, "statusReason.coding.0.code") != "approved" || get(proposal, "statusReason.text") == "" {
			t.Errorf("proposal: %s", proposal)
		}
		if got := get(order, "input.#(type.coding.0.code==work-up-document).valueReference.reference"); got != "DocumentReference/"+get(b.current(), "id") {
			t.Errorf("the order names %q (%s)", got, reason)
		}
		b.quiet()
		b.sound()
	}
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"in one write": func(t *testing.T, b *bench) {
			b.converge()
			before := b.record.writes.Load()
			b.record.onWrite = func(what string) error {
				if what == "POST Task" || what == "PUT Task" {
					t.Errorf("%s apart from the transaction", what)
				}
				return nil
			}
			b.approve()
			b.converge()
			if n := b.record.writes.Load() - before; n != 2 { // the transaction, and the document of before steps back
				t.Errorf("%d writes, want 2", n)
			}
			b.record.onWrite = nil
			approved(t, b, "transaction")
		},
		"where the record takes no transactions": func(t *testing.T, b *bench) {
			b.record.onWrite = func(what string) error {
				if what == "POST Bundle" {
					return refused(http.StatusMethodNotAllowed)
				}
				return nil
			}
			b.converge()
			b.approve()
			b.converge()
			approved(t, b, "single writes")
		},
		"where the answer to the write is lost": func(t *testing.T, b *bench) {
			b.converge()
			b.approve()
			lost := false
			b.record.onWrite = func(what string) error {
				if what == "POST Bundle" && !lost {
					lost = true
					return errors.Join(rest.ErrUnknownOutcome, refused(0))
				}
				return nil
			}
			b.converge()
			if !lost {
				t.Error("no answer was lost")
			}
			approved(t, b, "lost answer")
		},
		"of a proposal that changed meanwhile": func(t *testing.T, b *bench) {
			b.converge()
			b.approve()
			meddled := false
			b.record.onWrite = func(what string) error {
				if what == "POST Bundle" && !meddled {
					meddled = true
					b.byOthers(b.only("Task"), map[string]any{"note": []any{map[string]any{"text": "seen"}}})
				}
				return nil
			}
			b.converge()
			_, proposal := b.orderAndProposal()
			if get(proposal, "note.0.text") != "seen" {
				t.Errorf("what others wrote is gone: %s", proposal)
			}
			approved(t, b, "changed proposal")
		},
		"of a proposal that people took up meanwhile": func(t *testing.T, b *bench) {
			b.converge()
			taken := b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
			b.approve()
			b.converge()
			if task := b.only("Task"); string(task) != string(taken) {
				t.Errorf("the Task in hand was touched: %s", task)
			}
			b.quiet()
		},
		"of a proposal that people ended meanwhile": func(t *testing.T, b *bench) {
			b.converge()
			b.byOthers(b.only("Task"), map[string]any{"status": "rejected"})
			b.approve()
			b.converge()
			order, proposal := b.orderAndProposal()
			if get(order, "status") != "requested" || get(proposal, "status") != "rejected" {
				t.Errorf("order %s, proposal %s", get(order, "status"), get(proposal, "status"))
			}
			if !slices.Contains(b.store.attention, writeback.AttentionEnded) {
				t.Errorf("nobody was told: %v", b.store.attention)
			}
		},
		"then another question, which a person has not approved": func(t *testing.T, b *bench) {
			b.converge()
			b.approve()
			b.converge()
			b.want(func(d *compose.Document) {
				asks(d, "clarify", draft.ToCoordinator)
				d.Referral.Round, d.Referral.Revision, d.Referral.Approved, d.Referral.ApprovedBy = 3, 1, false, ""
			})
			b.converge()
			open := 0
			for _, task := range b.entries("Task") {
				if get(task, "status") == "draft" && get(task, "intent") == "proposal" && get(task, "reasonCode.coding.0.code") == "clarify" {
					open++
				} else if get(task, "status") != "cancelled" {
					t.Errorf("still open: %s", task)
				}
			}
			if open != 1 {
				t.Errorf("%d proposals to the coordinator, want 1", open)
			}
			b.quiet()
			b.sound()
		},
		"by a database that was lost": func(t *testing.T, b *bench) {
			other := b.config
			other.Site.Installation = otherInstallation
			b.converger = writeback.New(other)
			b.converge()
			b.approve()
			b.converge()
			b.forget()
			b.converger = writeback.New(b.config)
			b.want(func(d *compose.Document) {
				d.Referral.Round, d.Referral.Revision, d.Referral.Approved, d.Referral.ApprovedBy = 1, 1, false, ""
				d.Assessment.Filters[0].Headline = "Another headline."
			})
			b.converge()
			order, proposal := b.orderAndProposal()
			if get(order, "status") != "requested" || get(proposal, "status") != "cancelled" || get(order, "reasonCode.text") != "Another headline." {
				t.Errorf("order %s", order)
			}
			if d := get(order, "description"); d != "Vena cava filter: referral to consider removal. Approved by a clinician from a draft." {
				t.Errorf("the order reads %q", d)
			}
			b.quiet()
			b.sound()
		},
	})
}
