package assess_test

import (
	"fmt"
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// fragmentInTheHeart is an emergency that began on 25 November 2026.
const fragmentInTheHeart = `{"resourceType":"Condition","id":"broken","subject":{"reference":"Patient/a"},"onsetDateTime":"2026-11-25","recordedDate":"2026-11-25",
	"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.515A"}],"text":"Fractured vena cava filter with a filter fragment in the heart (right ventricle)"}}`

// placedOn is a placement of a day.
func placedOn(day string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":"in","status":"completed","subject":{"reference":"Patient/a"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"performedDateTime":%q}`, day)
}

// TestWhatPeopleEnterSilencesNoEmergency: that a filter was retrieved before a fragment lay in the heart, or that it was placed later,
// ends neither the emergency nor its Task; that it was retrieved afterwards ends both.
func TestWhatPeopleEnterSilencesNoEmergency(t *testing.T) {
	t.Parallel()
	retrieved := func(day string) []fhir.Resource {
		return []fhir.Resource{mustDecode(t, fmt.Sprintf(`{"resourceType":"Procedure","id":"ours","meta":{"lastUpdated":"2026-11-29T10:00:00Z"},"status":"completed","subject":{"reference":"Patient/a"},"performedDateTime":%q,
			"extension":[{"url":"urn:dwellwatch:of","valueString":"Procedure/in"}],"code":{"coding":[{"system":"http://snomed.info/sct","code":"233439000"}]},"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385669000"}]}}`, day))}
	}
	moved := func(day string) []fhir.Resource {
		return []fhir.Resource{mustDecode(t, fmt.Sprintf(`{"resourceType":"Procedure","id":"right","meta":{"lastUpdated":"2026-11-29T10:00:00Z"},"status":"completed","subject":{"reference":"Patient/a"},"performedDateTime":%q,"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]}}`, day)),
			mustDecode(t, `{"resourceType":"Provenance","id":"by","recorded":"2026-11-29T10:00:00Z","target":[{"reference":"`+local+`Procedure/right"}],"activity":{"coding":[{"system":"urn:dwellwatch:entry","code":"correction"}]},"entity":[{"role":"revision","what":{"reference":"Procedure/in"}}]}`)}
	}
	on := filter.NewDay(2026, 11, 29)
	record := assess.Record{Person: "person", Context: assess.ContextInput}
	for _, body := range []string{placedOn("2026-06-01"), fragmentInTheHeart} {
		record.Entries = append(record.Entries, chart.Entry{Feed: "default", Resource: mustDecode(t, body)})
	}
	first := assess.Patient(record, basis(t), on)
	asked, _ := draft.Reconcile(nil, first.Wants(), nil, draft.Pace{}, on)
	for name, c := range map[string]struct {
		entered       []fhir.Resource
		verdict, kind string
		open          bool
	}{
		"nothing":                         {nil, "urgent", "", true},
		"retrieved before it":             {retrieved("2026-08-03"), "urgent", "complication-after-removal", true},
		"retrieved on the day":            {retrieved("2026-11-25"), "urgent", "complication-after-removal", true},
		"retrieved after it":              {retrieved("2026-11-27"), "closed", "", false},
		"placed after it":                 {moved("2026-11-28"), "urgent", "complication-before-placement", true},
		"placed on another day before it": {moved("2026-06-11"), "urgent", "", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			with := record
			with.Known = first.Keys
			for _, r := range c.entered {
				with.Entries = append(with.Entries[:len(with.Entries):len(with.Entries)], chart.Entry{Feed: chart.LocalFeed, Base: local, Resource: r})
			}
			res := assess.Patient(with, basis(t), on)
			if n := len(res.Assessment.Filters); n != 1 {
				t.Fatalf("%d filters", n)
			}
			f := res.Assessment.Filters[0]
			kind := ""
			for _, x := range f.Contradictions {
				kind = x.Kind
			}
			if f.Verdict != c.verdict || f.Emergency != c.open || kind != c.kind {
				t.Errorf("verdict %s, emergency %t, contradiction %q: %s", f.Verdict, f.Emergency, kind, f.Headline)
			}
			after, _ := draft.Reconcile(asked, res.Wants(), res.Tasks, draft.Pace{}, on)
			if len(after) != 1 || (after[0].Reason == draft.Wanted) != c.open || c.open && after[0].Priority != "stat" {
				t.Errorf("referrals %+v", after)
			}
		})
	}
}

// local is what evidence puts before the entries that people make with us.
const local = "urn:dwellwatch:feed:local/"
