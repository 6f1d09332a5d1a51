package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/tidwall/gjson"
)

// dismiss tells that the user overrode a card of a hook.
func (b *bedside) dismiss(hook, card string) {
	b.Helper()
	status, body := b.post("/cds-services/vena-cava-filter-"+hook+"/feedback", `{"feedback":[{"card":"`+card+`","outcome":"overridden","outcomeTimestamp":"2026-03-01T09:00:00Z"}]}`)
	if status != http.StatusOK || card == "" {
		b.Fatalf("card %q: %d %s", card, status, body)
	}
}

// hear delivers a Condition of a patient and waits until it is judged.
func (b *bedside) hear(patient, id, code, text, onset string) {
	b.Helper()
	send(b.T, http.MethodPut, b.server.URL+"/fhir/Condition/"+id, []byte(fmt.Sprintf(`{"resourceType":"Condition","id":%q,"meta":{"versionId":"1","lastUpdated":"2026-02-28T10:00:00Z"},
		"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},
		"verificationStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-ver-status","code":"confirmed"}]},
		"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}],"text":%q},
		"subject":{"reference":"Patient/%s"},"onsetDateTime":%q,"recordedDate":%q}`, id, code, text, patient, onset, onset)))
	for deadline := time.Now().Add(30 * time.Second); !b.assessed(patient); {
		if time.Now().After(deadline) {
			b.Fatal("not assessed in time")
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// TestEachComplicationIsShown: who put an urgent card aside is told of the next complication, and of an emergency by its name. An emergency
// has no quiet period: it comes whenever the chart is opened, until the clinician puts it aside, and to the others after that too.
func TestEachComplicationIsShown(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-13")
	toldTo := func(user, visit, want string) string {
		t.Helper()
		status, body := b.ask("patient-view", user, "ab-13", visit)
		if got := gjson.Get(body, "cards.0.summary").String(); status != http.StatusOK || want == "" != (got == "") || !strings.HasPrefix(got, want) {
			t.Errorf("%s: %d %q, want %q", visit, status, got, want)
		}
		return gjson.Get(body, "cards.0.uuid").String()
	}
	told := func(visit, want string) string { return toldTo("Practitioner/1", visit, want) }
	b.dismiss("patient-view", told("visit-1", "Urgent, telephone now: vena cava filter. The filter is recorded as displaced"))
	told("visit-2", "")
	b.hear("ab-13", "pe", "I26.99", "Acute pulmonary embolism", "2026-02-27")
	second := told("visit-3", "Urgent, telephone now")
	told("visit-4", "")
	b.dismiss("patient-view", second)
	b.hear("ab-13", "fragment", "T82.515A", "Fracture of the vena cava filter, fragment in the right ventricle", "2026-02-28")
	third := told("visit-5", "Emergency, telephone now: Fracture of the filter")
	for _, visit := range []string{"visit-6", "visit-7"} {
		if told(visit, "Emergency, telephone now: Fracture of the filter") == third {
			t.Errorf("%s has the card of another call", visit)
		}
	}
	toldTo("Practitioner/2", "visit-8", "Emergency, telephone now: Fracture of the filter")
	b.dismiss("patient-view", third)
	told("visit-9", "")
	toldTo("Practitioner/2", "visit-10", "Emergency, telephone now: Fracture of the filter")
	b.days.Store(40)
	told("visit-11", "")
}

// TestDischargeAndOrdersAreToldEachTime: only an opened chart has a quiet period; putting a card aside is for that stay or that order.
func TestDischargeAndOrdersAreToldEachTime(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02", "ab-06")
	ask := func(hook, patient, visit, context string) string {
		t.Helper()
		status, body := b.post("/cds-services/vena-cava-filter-"+hook, fmt.Sprintf(`{"hook":%q,"hookInstance":%q,"context":{"userId":"Practitioner/1","patientId":%q,%s}}`, hook, visit, patient, context))
		if status != http.StatusOK {
			t.Fatalf("%d %s", status, body)
		}
		return gjson.Get(body, "cards.0.uuid").String()
	}
	order := func(id string) string {
		return `"draftOrders":{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"MedicationRequest",` + id + `"status":"draft","intent":"order","subject":{"reference":"Patient/ab-06"},
			"medicationCodeableConcept":{"text":"apixaban 5 MG Oral Tablet"},"dosageInstruction":[{"text":"5 mg twice daily"}]}}]}`
	}
	for _, c := range []struct{ hook, patient, one, other string }{
		{"encounter-discharge", "ab-02", `"encounterId":"e1"`, `"encounterId":"e2"`},
		{"order-sign", "ab-06", order(`"id":"n1",`), order(`"id":"n2",`)},
	} {
		first := ask(c.hook, c.patient, "call-1", c.one)
		second := ask(c.hook, c.patient, "call-2", c.one)
		if first == "" || second == "" || first == second {
			t.Errorf("%s: %q, then %q", c.hook, first, second)
		}
		b.dismiss(c.hook, first)
		if ask(c.hook, c.patient, "call-3", c.one) != "" {
			t.Errorf("%s: put aside and shown again", c.hook)
		}
		if ask(c.hook, c.patient, "call-4", c.other) == "" {
			t.Errorf("%s: putting one aside silences the next", c.hook)
		}
	}
	// An order without an id is another one at every call.
	b.dismiss("order-sign", ask("order-sign", "ab-06", "call-5", order("")))
	if ask("order-sign", "ab-06", "call-6", order("")) == "" {
		t.Error("putting an order without id aside silences all such orders")
	}
}
