package chart

import (
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/filter"
)

// TestWhichDayIsWrong: an onset after its recordedDate, by what else is known of the record's making.
func TestWhichDayIsWrong(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	asOf := filter.NewDay(2026, 11, 29)
	for _, c := range []struct{ onset, recorded, updated, wantOnset, wantRecorded, unread string }{
		{"2026-11-25", "2025-11-25", "2026-11-25T10:00:00Z", "2026-11-25", "2026-11-25", "Condition.recordedDate"},
		{"2026-11-25", "2025-11-25", "", "2026-11-25", "2025-11-25", "Condition.recordedDate"},
		{"2026-12-25", "2025-11-25", "", "2026-12-25", "2025-11-25", "Condition.onsetDateTime"}, // the rules do not believe it yet
		{"2026-11-25", "2025-11-25", "2026-11-20T10:00:00Z", "an unknown day", "2025-11-25", "Condition.onsetDateTime"},
		{"2026-11-25", "", "2026-11-20T10:00:00Z", "an unknown day", "2026-11-20", "Condition.onsetDateTime"},
		{"2026-11-25", "2026-11-24T23:30:00Z", "", "2026-11-25", "2026-11-24", ""},
		{"2026-11-25", "2025-11-25", "2026-11-24T23:30:00Z", "2026-11-25", "2026-11-25", "Condition.recordedDate"},
		{"2026-11-25", "2026-11-25", "2026-11-20T10:00:00Z", "2026-11-25", "2026-11-25", ""},
		{"", "2026-11-25", "2026-11-20T10:00:00Z", "an unknown day", "2026-11-25", ""},
		{"2026-11-25", "", "", "2026-11-25", "an unknown day", ""},
	} {
		raw := `{"resourceType":"Condition","id":"c","meta":{"versionId":"1"`
		if c.updated != "" {
			raw += `,"lastUpdated":"` + c.updated + `"`
		}
		raw += `},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"I26.99"}]}`
		if c.onset != "" {
			raw += `,"onsetDateTime":"` + c.onset + `"`
		}
		if c.recorded != "" {
			raw += `,"recordedDate":"` + c.recorded + `"`
		}
		resource, err := fhir.Decode([]byte(raw + `}`))
		if err != nil {
			t.Fatal(err)
		}
		got := Read([]Entry{{Resource: resource}}, sets, catalogue.Catalogue{}, time.UTC)
		clock := filter.NewClock(asOf)
		unread := ""
		for _, u := range got.UnreadOn(clock) {
			unread += u.Path
		}
		d := got.Facts.Diagnoses[0]
		if d.Onset.String() != c.wantOnset || d.Recorded.String() != c.wantRecorded || unread != c.unread {
			t.Errorf("%+v: onset %s, recorded %s, unread %s", c, d.Onset, d.Recorded, unread)
		}
		if later := d.Onset.Bounded() && d.Onset.Earliest > asOf; later != (clock.Next() < filter.MaxDay) {
			t.Errorf("%+v: the clock wakes on %s", c, clock.Next())
		}
	}
}
