package chart

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
)

// readOne reads one resource as the whole record.
func readOne(t *testing.T, body string) Reading {
	t.Helper()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	r, err := fhir.DecodeLoose([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	return Read([]Entry{{Feed: "f", Resource: r}}, sets, catalogue.Catalogue{}, time.UTC)
}

// TestOddDays: an element that should tell a day and is of a wrong kind of JSON value, or a day given in two ways, is named and
// leaves the day unknown; the event stays.
func TestOddDays(t *testing.T) {
	t.Parallel()
	const head = `{"resourceType":"Procedure","id":"p","subject":{"reference":"Patient/a"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},`
	for name, c := range map[string]struct{ rest, kind, unread string }{
		"null":               {`"status":"completed","performedDateTime":null}`, "placement", "Procedure.performedDateTime"},
		"a number":           {`"status":"completed","performedDateTime":20251001}`, "placement", "Procedure.performedDateTime"},
		"a year as a number": {`"status":"completed","performedDateTime":2025}`, "placement", "Procedure.performedDateTime"},
		"an object":          {`"status":"completed","performedDateTime":{"start":"2025-10-01"}}`, "placement", "Procedure.performedDateTime"},
		"a period as a text": {`"status":"completed","performedPeriod":"2025-10-01"}`, "placement", "Procedure.performedPeriod"},
		"a start as number":  {`"status":"completed","performedPeriod":{"start":2025}}`, "placement", "Procedure.performedPeriod.start"},
		"two ways":           {`"status":"completed","performedDateTime":"2025-10-01","performedPeriod":{"start":"2025-10-01"}}`, "placement", "Procedure.performed"},
		"status as a list":   {`"status":["completed"],"performedDateTime":null}`, "claim", "Procedure.performedDateTime Procedure.status"},
		"status null":        {`"status":null,"performedDateTime":null}`, "claim", "Procedure.performedDateTime Procedure.status"},
	} {
		got := readOne(t, head+c.rest)
		if len(got.Events) != 1 || string(got.Events[0].Kind) != c.kind || got.Events[0].When.Known() {
			t.Errorf("%s: %+v, want one %s on no known day", name, got.Events, c.kind)
		}
		paths := ""
		for i, u := range got.Unread {
			if i > 0 {
				paths += " "
			}
			paths += u.Path
		}
		if diff := cmp.Diff(c.unread, paths); diff != "" {
			t.Errorf("%s: unread (-want +got):\n%s", name, diff)
		}
	}
}

// TestOddDaysEndNothing: what cannot be read says neither that a thing has ended nor that a patient has died.
func TestOddDaysEndNothing(t *testing.T) {
	t.Parallel()
	const bleed = `{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/a"},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"K92.2"}]},`
	for _, rest := range []string{`"abatementDateTime":null}`, `"abatementDateTime":2025}`, `"abatementPeriod":"2025"}`, `"abatementDateTime":"2025-01-01","abatementString":"spring"}`} {
		got := readOne(t, bleed+rest)
		if len(got.Facts.Diagnoses) != 1 || got.Facts.Diagnoses[0].Ended.Known() || len(got.Unread) != 1 {
			t.Errorf("%s: %+v %+v", rest, got.Facts.Diagnoses, got.Unread)
		}
	}
	for _, odd := range []string{"null", "2025", `["2025-01-01"]`} {
		got := readOne(t, `{"resourceType":"Patient","id":"a","deceasedDateTime":`+odd+`}`)
		if got.Facts.Deceased != nil || len(got.Unread) != 1 {
			t.Errorf("deceased %s: %+v %+v", odd, got.Facts.Deceased, got.Unread)
		}
	}
	if got := readOne(t, `{"resourceType":"ServiceRequest","id":"s","status":["active"],"subject":{"reference":"Patient/a"},"code":{"text":"IVC filter retrieval"}}`); len(got.Facts.Orders) != 0 || len(got.Unread) != 1 {
		t.Errorf("a request of no readable status: %+v %+v", got.Facts.Orders, got.Unread)
	}
}
