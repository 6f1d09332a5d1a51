package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/tidwall/gjson"
)

// TestAnEmergencyIsToldToWhoOverrodeWhatWasUrgent: an override stops what it was about; a new embolism and a fragment in the heart are
// each told once more, the emergency by its own words and at every call until it is overridden too.
func TestAnEmergencyIsToldToWhoOverrodeWhatWasUrgent(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-13")
	visit := 0
	view := func() gjson.Result {
		visit++
		status, body := b.ask("patient-view", "Practitioner/1", "ab-13", fmt.Sprint("visit-", visit))
		if status != http.StatusOK {
			t.Fatalf("%d %s", status, body)
		}
		return gjson.Get(body, "cards.0")
	}
	override := func(card gjson.Result) {
		if status, body := b.feedback(`{"card":"` + card.Get("uuid").String() + `","outcome":"overridden","outcomeTimestamp":"2026-03-01T09:00:00Z"}`); status != 200 {
			t.Fatalf("%d %s", status, body)
		}
	}
	tell := func(id, code, site string) {
		send(t, http.MethodPost, b.server.URL+"/fhir", fmt.Appendf(nil, `{"resourceType":"Condition","id":%q,"meta":{"lastUpdated":"2026-02-28T08:00:00Z"},"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}]},"subject":{"reference":"Patient/ab-13"},"onsetDateTime":"2026-02-27"%s}`, id, code, site))
		for end := time.Now().Add(30 * time.Second); !b.assessed("ab-13"); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal("not assessed in time")
			}
		}
	}
	first := view()
	if !strings.HasPrefix(first.Get("summary").String(), "Urgent, telephone now") {
		t.Fatalf("the first card: %s", first)
	}
	override(first)
	if again := view(); again.Exists() {
		t.Errorf("overridden and shown again: %s", again)
	}
	tell("pe-new", "I26.99", "")
	second := view()
	if second.Get("indicator").String() != "critical" {
		t.Fatalf("a new embolism: %s", second)
	}
	override(second)
	tell("fragment", "T82.525A", `,"bodySite":[{"text":"right ventricle of the heart"}]`)
	third := view()
	if got := third.Get("summary").String(); !strings.HasPrefix(got, "Emergency, telephone now") || !strings.Contains(got, "displaced") {
		t.Errorf("a filter in the heart: %s", third)
	}
	again := view()
	if again.Get("summary").String() != third.Get("summary").String() || again.Get("uuid").String() == third.Get("uuid").String() {
		t.Errorf("the emergency, when the chart is opened again: %s", again)
	}
	override(third)
	if again := view(); again.Exists() {
		t.Errorf("an emergency that was overridden is shown again: %s", again)
	}
}

// TestWarningsComeAtEveryCall: only the opened chart has a quiet time. A warning at signing and a card at discharge come at every call, and
// an override stops the one of these very orders and this very stay.
func TestWarningsComeAtEveryCall(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02")
	const path = "/cds-services/vena-cava-filter-encounter-discharge"
	leave := func(stay string) string {
		status, body := b.post(path, `{"hook":"encounter-discharge","hookInstance":"`+stay+fmt.Sprint(time.Now().UnixNano())+`","context":{"userId":"Practitioner/1","patientId":"ab-02","encounterId":"`+stay+`"}}`)
		if status != http.StatusOK {
			t.Fatalf("%d %s", status, body)
		}
		return gjson.Get(body, "cards.0.uuid").String()
	}
	for n := range 2 {
		if leave("e1") == "" {
			t.Fatalf("call %d at discharge shows no card", n+1)
		}
	}
	card := leave("e1")
	if status, body := b.post(path+"/feedback", `{"feedback":[{"card":"`+card+`","outcome":"overridden","outcomeTimestamp":"2026-03-01T09:00:00Z"}]}`); status != 200 {
		t.Fatalf("%d %s", status, body)
	}
	if leave("e1") != "" {
		t.Error("overridden, and shown again for the same stay")
	}
	if leave("e2") == "" {
		t.Error("an override of one stay silences the next")
	}
}

// TestACallChangesNoStoredChart: what a client sends about somebody whom nobody follows may begin that patient's chart, and neither changes
// nor retracts what is stored, nor joins anybody.
func TestACallChangesNoStoredChart(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02", "ab-06")
	const state = `SELECT coalesce(string_agg(feed || ' ' || type || '/' || id || ' v' || version || ' ' || current || ' ' || person_id, ', ' ORDER BY type, id, version), '') FROM resource WHERE patient_id IN ('ab-02', 'ab-06') OR patient_id = ''`
	read := func() (out string) {
		if err := b.program.store.Pool().QueryRow(t.Context(), state).Scan(&out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	var device, theirs string
	if err := b.program.store.Pool().QueryRow(t.Context(), `SELECT (SELECT id FROM resource WHERE type = 'Device' AND patient_id = 'ab-06' AND current LIMIT 1), (SELECT id FROM resource WHERE type = 'Procedure' AND patient_id = 'ab-02' AND current LIMIT 1)`).Scan(&device, &theirs); err != nil {
		t.Fatal(err)
	}
	before := read()
	now := `"meta":{"versionId":"99","lastUpdated":"2026-02-28T23:00:00Z"}`
	own := func(id, status, more string) string {
		return `{"resource":{"resourceType":"Procedure","id":"` + id + `",` + now + `,"status":"` + status + `","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"subject":{"reference":"Patient/x-1"},"performedDateTime":"2025-01-02"` + more + `}}`
	}
	bundle := func(entries ...string) string {
		return `{"resourceType":"Bundle","type":"searchset","entry":[` + strings.Join(entries, ",") + `]}`
	}
	status, body := b.ask("patient-view", "Practitioner/1", "x-1", "i", `"prefetch":{"patient":{"resourceType":"Patient","id":"x-1",`+now+`,"link":[{"other":{"reference":"Patient/ab-02"},"type":"replaces"}]},`+
		`"procedures":`+bundle(own("x-in", "completed", `,"focalDevice":[{"manipulated":{"reference":"Device/`+device+`"}}]`), own(theirs, "completed", ""), own("x-gone", "entered-in-error", ""))+`,`+
		`"devices":`+bundle(`{"resource":{"resourceType":"Device","id":"`+device+`",`+now+`,"status":"entered-in-error","type":{"text":"vena cava filter"}}}`,
		`{"resource":{"resourceType":"Procedure","id":"`+theirs+`",`+now+`,"status":"entered-in-error","subject":{"reference":"Patient/ab-02"}}}`)+`}`)
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	for end := time.Now().Add(30 * time.Second); !b.assessed("x-1"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the patient of the call is not followed")
		}
	}
	if after := read(); after != before {
		t.Errorf("stored charts changed:\n%s\n%s", before, after)
	}
	if n := count(t, b, `SELECT count(*) FROM resource WHERE patient_id = 'x-1' AND id IN ('x-in')`); n != 1 {
		t.Errorf("%d entries of the patient of the call", n)
	}
	if n := count(t, b, `SELECT count(DISTINCT person_id) FROM person_alias`); n != 3 {
		t.Errorf("%d persons, want 3", n)
	}
}
