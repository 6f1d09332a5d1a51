package chart

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestLengths: a Duration by its code or its unit; from 31 January on.
func TestLengths(t *testing.T) {
	t.Parallel()
	from := filter.On(filter.NewDay(2026, 1, 31))
	for raw, want := range map[string]string{
		`{"value":1,"code":"d"}`: "2026-01-31", `{"value":10,"unit":"days"}`: "2026-02-09", `{"value":2,"code":"wk"}`: "2026-02-13", `{"value":1,"unit":"Week(s)"}`: "2026-02-06",
		`{"value":1,"code":"mo"}`: "2026-02-27", `{"value":3,"unit":"months","code":"mo"}`: "2026-04-29", `{"value":1,"code":"a"}`: "2027-01-30", `{"value":36,"code":"h"}`: "2026-02-01",
		`{"value":1.5,"code":"mo"}`: "", `{"value":3,"unit":"cycles"}`: "", `{"value":0,"code":"d"}`: "", `{"code":"d"}`: "", `{"value":10,"code":"d","comparator":">"}`: "", `{"value":10}`: "",
	} {
		l, ok := lengthOf(fhir.Resource{Raw: []byte(raw)}.Document())
		got := ""
		if ok {
			got = lastDay(from, l).String()
		}
		if got != want {
			t.Errorf("%s: %q, want %q", raw, got, want)
		}
	}
	if got := lastDay(filter.Unknown(), length{days: 3}); got.Known() {
		t.Errorf("from no known day: %s", got)
	}
}

// coursesOf reads the courses of a few entries.
func coursesOf(t *testing.T, bodies ...string) []rules.Course {
	t.Helper()
	var entries []Entry
	for _, b := range bodies {
		r, err := fhir.Decode([]byte(b))
		if err != nil {
			t.Fatal(err)
		}
		entries = append(entries, Entry{Resource: r})
	}
	return Read(entries, Sets{}, catalogue.Catalogue{}, time.UTC).Facts.Courses
}

// TestStops: an order's last day, by what its status lets stand, and whether its dose is left open.
func TestStops(t *testing.T) {
	t.Parallel()
	const order = `{"resourceType":"MedicationRequest","id":"m","intent":"order","subject":{"reference":"Patient/p"},"authoredOn":"2025-10-05","medicationCodeableConcept":{"text":"apixaban 5 mg"},`
	dosage := func(bounds string) string {
		return `"dosageInstruction":[{"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d",` + bounds + `}},"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg"}}]}]}`
	}
	const period, duration = `"boundsPeriod":{"start":"2025-10-05","end":"2026-10-05"}`, `"boundsDuration":{"value":180,"code":"d"}`
	for name, c := range map[string]struct {
		body, end      string
		over, doubtful bool
	}{
		"active, a period":                    {order + `"status":"active",` + dosage(period), "2026-10-05", false, false},
		"active, a length":                    {order + `"status":"active",` + dosage(duration), "2026-04-02", false, false},
		"active, a number of doses":           {order + `"status":"active",` + dosage(`"count":4`), "2025-10-06", false, false},
		"active, a range of one length":       {order + `"status":"active",` + dosage(`"boundsRange":{"low":{"value":3,"code":"d"},"high":{"value":3,"code":"d"}}`), "2025-10-07", false, false},
		"active, a range":                     {order + `"status":"active",` + dosage(`"boundsRange":{"low":{"value":3,"code":"d"},"high":{"value":9,"code":"d"}}`), "an unknown day", false, true},
		"active, a length not understood":     {order + `"status":"active",` + dosage(`"boundsDuration":{"value":3,"unit":"cycles"}`), "an unknown day", false, true},
		"active, an end that is no day":       {order + `"status":"active",` + dosage(`"boundsPeriod":{"end":"soon"}`), "an unknown day", false, true},
		"stopped, a period":                   {order + `"status":"stopped",` + dosage(period), "2026-10-05", true, false},
		"stopped, a period, written before":   {order + `"status":"stopped","meta":{"lastUpdated":"2026-02-01T10:00:00Z"},` + dosage(period), "an unknown day", true, false},
		"stopped, a period, written after":    {order + `"status":"stopped","meta":{"lastUpdated":"2026-12-01T10:00:00Z"},` + dosage(period), "2026-10-05", true, false},
		"stopped, a length":                   {order + `"status":"stopped",` + dosage(duration), "an unknown day", true, false},
		"on hold, a period":                   {order + `"status":"on-hold",` + dosage(period), "an unknown day", true, false},
		"completed, a length":                 {order + `"status":"completed",` + dosage(duration), "2026-04-02", true, false},
		"completed, a length, written before": {order + `"status":"completed","meta":{"lastUpdated":"2026-02-01T10:00:00Z"},` + dosage(duration), "an unknown day", true, false},
		"stopped, a length in words":          {order + `"status":"stopped","dosageInstruction":[{"text":"5 mg twice daily for six weeks"}]}`, "an unknown day", true, false},
		"active, a length in words":           {order + `"status":"active","dosageInstruction":[{"text":"5 mg twice daily for six weeks"}]}`, "2025-11-15", false, false},
		"active, coded, held in words":        {order + `"status":"active","dosageInstruction":[{"text":"HOLD - 5 mg bid","timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg"}}]}]}`, "an unknown day", false, true},
		"active, another instruction":         {order + `"status":"active","dosageInstruction":[{"text":"5 mg twice daily","additionalInstruction":[{"text":"on hold"}]}]}`, "an unknown day", false, true},
	} {
		got := coursesOf(t, c.body)
		if len(got) != 1 {
			t.Errorf("%s: %d courses", name, len(got))
			continue
		}
		if end := got[0].End.String(); end != c.end || got[0].Over != c.over || got[0].Doubtful != c.doubtful {
			t.Errorf("%s: end %s, over %v, doubtful %v; want %s %v %v", name, end, got[0].Over, got[0].Doubtful, c.end, c.over, c.doubtful)
		}
	}
}

// TestHaltedSupplies: what was handed out ends with its order.
func TestHaltedSupplies(t *testing.T) {
	t.Parallel()
	order := func(status, bounds string) string {
		return `{"resourceType":"MedicationRequest","id":"m","status":"` + status + `","intent":"order","subject":{"reference":"Patient/p"},"authoredOn":"2025-12-01","medicationCodeableConcept":{"text":"apixaban 5 mg"},
			"dosageInstruction":[{"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"` + bounds + `}}}]}`
	}
	supply := func(id, day string) string {
		return `{"resourceType":"MedicationDispense","id":"` + id + `","status":"completed","subject":{"reference":"Patient/p"},"whenHandedOver":"` + day + `","daysSupply":{"value":30,"unit":"days"},
			"medicationCodeableConcept":{"text":"apixaban 5 mg"},"authorizingPrescription":[{"reference":"MedicationRequest/m"}]}`
	}
	type end struct {
		Of, Earliest, Latest string
		Over                 bool
	}
	for name, c := range map[string]struct {
		order string
		want  []end
	}{
		"active":               {order("active", ""), []end{{"one", "2025-12-30", "2025-12-30", false}, {"two", "2026-01-30", "2026-01-30", false}}},
		"completed":            {order("completed", ""), []end{{"one", "2025-12-30", "2025-12-30", false}, {"two", "2026-01-30", "2026-01-30", false}}},
		"held on no known day": {order("on-hold", ""), []end{{"one", "2025-12-30", "2025-12-30", false}, {"two", "2026-01-01", "2026-01-30", true}}},
		"stopped on a day":     {order("stopped", `,"boundsPeriod":{"end":"2026-01-10"}`), []end{{"one", "2025-12-30", "2025-12-30", false}, {"two", "2026-01-10", "2026-01-10", true}}},
	} {
		var got []end
		for _, k := range coursesOf(t, c.order, supply("one", "2025-12-01"), supply("two", "2026-01-01")) {
			if of, ok := strings.CutPrefix(k.Evidence[0], "MedicationDispense/"); ok {
				got = append(got, end{of, k.End.Earliest.String(), k.End.Latest.String(), k.Over})
			}
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}
