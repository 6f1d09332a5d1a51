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
// each told once more, the emergency by its own words.
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
	if again := view(); again.Exists() {
		t.Errorf("the same emergency twice: %s", again)
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
	if leave("e1") == "" || leave("e1") == "" {
		t.Fatal("the card at discharge does not come again")
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
