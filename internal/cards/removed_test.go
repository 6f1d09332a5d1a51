package cards

import (
	"strings"
	"testing"

	"dwellwatch/internal/assess"
)

// TestAnEmergencyAfterTheRemovalIsTold: a chart that is opened tells of an emergency, and of a doubt, about a filter that the record calls
// removed; without either it is quiet.
func TestAnEmergencyAfterTheRemovalIsTold(t *testing.T) {
	t.Parallel()
	of := func(f assess.Filter) []Offer {
		f.Key, f.Standing, f.Asked = "a", "removed", "none"
		return Of(Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{f}}})
	}
	told := of(assess.Filter{Verdict: "urgent", Emergency: true, Headline: "A fragment lies in the heart."})
	if len(told) != 1 || told[0].Kind != Urgent || told[0].Card.Indicator != critical || !strings.HasPrefix(told[0].Card.Summary, "Emergency, telephone now") {
		t.Errorf("emergency: %+v", told)
	}
	if asked := of(assess.Filter{Verdict: "clarify"}); len(asked) != 1 || asked[0].Kind != Clarify {
		t.Errorf("doubt: %+v", asked)
	}
	if quiet := of(assess.Filter{Verdict: "closed"}); len(quiet) != 0 {
		t.Errorf("closed: %+v", quiet)
	}
}
