package assess_test

import (
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// TestOurOwnClosingIsNobodysAnswer: a question that we closed ourselves because the record had answered it is asked again
// when that answer is taken back; what people completed or cancelled is not.
func TestOurOwnClosingIsNobodysAnswer(t *testing.T) {
	t.Parallel()
	device := mustDecode(t, `{"resourceType":"Device","id":"d","status":"active","patient":{"reference":"Patient/a"},"type":{"text":"vena cava filter"}}`)
	day := filter.NewDay(2026, 6, 1)
	first := assess.Patient(recordOf([]fhir.Resource{device}, nil), basis(t), day)
	if len(first.Wants()) != 1 || first.Wants()[0].To != draft.ToCoordinator {
		t.Fatalf("wants %+v, want one question to the coordinator", first.Wants())
	}
	state, _ := draft.Reconcile(nil, first.Wants(), first.Tasks, draft.Pace{UnansweredDays: 7, EscalatedDueDays: 14, EndedDays: 30, DeclinedDays: 90}, day)
	state[0].Reason = draft.NotDue // the record had answered it for a while
	const ours = `,"statusReason":{"coding":[{"system":"urn:dwellwatch:closed","code":"answered"}]}`
	for name, c := range map[string]struct {
		status, reason string
		round          int
	}{
		"completed by us":     {"completed", ours, 2},
		"cancelled by us":     {"cancelled", ours, 2},
		"completed by people": {"completed", "", 1},
		"cancelled by people": {"cancelled", `,"statusReason":{"text":"not needed"}`, 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			task := mustDecode(t, `{"resourceType":"Task","id":"t","status":"`+c.status+`","intent":"proposal","for":{"reference":"Patient/a"},"focus":{"reference":"Device/d"},
				"identifier":[{"system":"urn:dwellwatch:referral","value":"`+first.Wants()[0].Key+`"}]`+c.reason+`}`)
			again := assess.Patient(recordOf([]fhir.Resource{device, task}, first.Keys), basis(t), day)
			after, _ := draft.Reconcile(state, again.Wants(), again.Tasks, draft.Pace{UnansweredDays: 7, EscalatedDueDays: 14, EndedDays: 30, DeclinedDays: 90}, day)
			if len(after) != 1 || after[0].Round != c.round {
				t.Errorf("referrals %+v, want round %d", after, c.round)
			}
		})
	}
}
