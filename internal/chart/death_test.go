package chart

import (
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
)

// TestDeath: an empty text tells of no death; any other text for its day does, and a day that cannot be read is unknown.
func TestDeath(t *testing.T) {
	t.Parallel()
	for given, want := range map[string]struct{ dead, dated, unread bool }{
		``:                                 {},
		`,"deceasedDateTime":""`:           {unread: true},
		`,"deceasedDateTime":" \t"`:        {unread: true},
		`,"deceasedDateTime":null`:         {unread: true},
		`,"deceasedDateTime":"2026-03-01"`: {dead: true, dated: true},
		`,"deceasedDateTime":"2026-02-30"`: {dead: true, unread: true},
		`,"deceasedDateTime":"unknown"`:    {dead: true, unread: true},
		`,"deceasedDateTime":20260301`:     {unread: true},
		`,"deceasedBoolean":true`:          {dead: true},
		`,"deceasedBoolean":false`:         {},
		`,"deceasedBoolean":true,"deceasedDateTime":"2026-03-01"`:  {dead: true, dated: true},
		`,"deceasedBoolean":true,"deceasedDateTime":""`:            {dead: true, unread: true},
		`,"deceasedBoolean":false,"deceasedDateTime":""`:           {unread: true},
		`,"deceasedBoolean":false,"deceasedDateTime":"2026-03-01"`: {dead: true, dated: true},
	} {
		got := Read([]Entry{{Resource: fhir.Resource{Type: "Patient", ID: "p", Raw: []byte(`{"resourceType":"Patient","id":"p"` + given + `}`)}}}, Sets{}, catalogue.Catalogue{}, time.UTC)
		dead := got.Facts.Deceased
		if (dead != nil) != want.dead || dead != nil && dead.When.Known() != want.dated || (len(got.Unread) > 0) != want.unread {
			t.Errorf("%s: %+v, unread %v", given, dead, got.Unread)
		}
	}
}
