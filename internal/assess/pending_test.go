package assess_test

import (
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// TestNothingEndsWhileTheContextIsRead: of a merged patient one filter and a removal may have been read and the other filter not yet.
// The removal then looks like the one's own. Our draft stands until the whole record has been read.
func TestNothingEndsWhileTheContextIsRead(t *testing.T) {
	t.Parallel()
	placed := func(id, day string) fhir.Resource {
		return mustDecode(t, `{"resourceType":"Procedure","id":"`+id+`","status":"completed","subject":{"reference":"Patient/a"},
			"performedDateTime":"`+day+`","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]}}`)
	}
	out := mustDecode(t, `{"resourceType":"Procedure","id":"out","status":"completed","subject":{"reference":"Patient/a"},
		"performedDateTime":"2026-03-01","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]}}`)
	dead := mustDecode(t, `{"resourceType":"Patient","id":"a","deceasedDateTime":"2026-03-02"}`)
	wants := func(context string, resources ...fhir.Resource) []draft.Want {
		rec := recordOf(resources, nil)
		rec.Context = context
		return assess.Patient(rec, basis(t), filter.NewDay(2026, 6, 1)).Wants()
	}
	for name, c := range map[string]struct {
		resources []fhir.Resource
		read      []draft.Reason
	}{
		"one filter and a removal":  {[]fhir.Resource{placed("one", "2024-01-05"), out}, []draft.Reason{draft.Removed}},
		"the second filter as well": {[]fhir.Resource{placed("one", "2024-01-05"), placed("two", "2025-01-05"), out}, []draft.Reason{draft.Wanted, draft.Wanted}},
		"a dead patient":            {[]fhir.Resource{placed("one", "2024-01-05"), dead}, []draft.Reason{draft.Deceased}},
		"not due":                   {[]fhir.Resource{placed("one", "2026-05-20")}, []draft.Reason{draft.NotDue}},
	} {
		read, pending := wants(assess.ContextPulled, c.resources...), wants(assess.ContextPending, c.resources...)
		if len(read) != len(c.read) || len(pending) != len(c.read) {
			t.Fatalf("%s: %d filters and %d while the context is read, want %d", name, len(read), len(pending), len(c.read))
		}
		for i, reason := range c.read {
			if read[i].Reason != reason || pending[i].Reason != draft.NoContext {
				t.Errorf("%s: %q, and while the context is read %q; want %q and %q", name, read[i].Reason, pending[i].Reason, reason, draft.NoContext)
			}
		}
	}
}
