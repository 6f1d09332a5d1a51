package demo

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// span reads a FHIR date, dateTime or instant as the first and last moment it can mean; ok is false for a date that the
// calendar lacks (http://hl7.org/fhir/R4/datatypes.html#dateTime; the regular expressions there let 30 February pass).
func span(s string) (first, last time.Time, ok bool) {
	for _, l := range []struct {
		layout       string
		years, month int
		days         int
	}{{"2006", 1, 0, 0}, {"2006-01", 0, 1, 0}, {"2006-01-02", 0, 0, 1}} {
		if d, err := time.Parse(l.layout, s); err == nil && len(s) == len(l.layout) {
			return d, d.AddDate(l.years, l.month, l.days).Add(-time.Second), true
		}
	}
	d, err := time.Parse(time.RFC3339, s)
	return d, d, err == nil
}

// planned lists the elements whose dates are plans or bounds and not things done.
func planned(path []string) bool {
	last := path[len(path)-1]
	return slices.Contains([]string{"occurrenceDateTime"}, last) || slices.Contains(path, "birthDate")
}

func TestDatesAreRealAndDoneBeforeTheyWereWritten(t *testing.T) {
	t.Parallel()
	looks := regexp.MustCompile(`^\d{4}-\d\d(-\d\d(T.*)?)?$`)
	endOfDay, _, _ := span(Day)
	endOfDay = endOfDay.AddDate(0, 0, 1)
	seen := 0
	for _, p := range setup(t) {
		for _, s := range p.Steps {
			for _, e := range decode(t, s.File, s.Bundle).Entry {
				meta := e.Resource["meta"].(map[string]any)
				written, _, ok := span(meta["lastUpdated"].(string))
				if !ok || !written.Before(endOfDay) || !strings.Contains(meta["lastUpdated"].(string), "T") {
					t.Errorf("%s: %s was written on %v", s.File, e.Request.URL, meta["lastUpdated"])
				}
				walk(e.Resource, nil, func(path []string, v any) {
					text, isText := v.(string)
					if !isText || !looks.MatchString(text) || path[len(path)-1] == "lastUpdated" {
						return
					}
					first, last, ok := span(text)
					if !ok {
						t.Errorf("%s: %s: %s is %q, which is no date", s.File, e.Request.URL, strings.Join(path, "."), text)
					}
					seen++
					appointment := e.Resource["resourceType"] == "Appointment" && path[0] != "created"
					if appointment || planned(path) {
						return
					}
					// A full date may be the day of writing; a month must be over or, at least, have begun.
					if first.After(written) || len(text) < 10 && last.After(written) {
						t.Errorf("%s: %s: %s is %s but was written %s", s.File, e.Request.URL, strings.Join(path, "."), text,
							written.Format(time.RFC3339))
					}
				})
			}
		}
	}
	if seen < 300 {
		t.Errorf("only %d dates were seen: the walk misses some", seen)
	}
}

func TestSpan(t *testing.T) {
	t.Parallel()
	for s, want := range map[string]bool{"2024": true, "2024-05": true, "2024-02-29": true, "2023-02-29": false,
		"2024-13": false, "2026-01-16T09:40:00Z": true, "2026-01-16T09:40": false} {
		if _, _, ok := span(s); ok != want {
			t.Errorf("%s: %v", s, ok)
		}
	}
}
