package main

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/screen"
)

// TestAPINamesEntriesThatNameNobody: what POST /assess is given by the shared function, as "patient: unread entries".
func TestAPINamesEntriesThatNameNobody(t *testing.T) {
	t.Parallel()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	p := &program{settings: settings{basis: assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC}}}
	api := p.apiConfig(screen.Screener{Sets: sets})
	const (
		one, two = `{"resourceType":"Patient","id":"a"}`, `{"resourceType":"Patient","id":"b"}`
		lost     = `{"resourceType":"Condition","id":"c"}`
		mistaken = `{"resourceType":"Condition","id":"e","verificationStatus":{"coding":[{"code":"entered-in-error"}]}}`
		nameless = `{"resourceType":"Observation"}`
	)
	for name, c := range map[string]struct {
		bodies []string
		want   []string
	}{
		"one patient":      {[]string{one, lost, nameless}, []string{"Patient/a: Condition/c Observation"}},
		"several patients": {[]string{one, two, lost}, []string{"Patient/a:", "Patient/b:", "null: Condition/c"}},
		"all named":        {[]string{one, two}, []string{"Patient/a:", "Patient/b:"}},
		"entered in error": {[]string{one, mistaken}, []string{"Patient/a:"}},
		"nobody":           {[]string{lost}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var resources []fhir.Resource
			for _, body := range c.bodies {
				r, err := fhir.Decode([]byte(body))
				if err != nil {
					t.Fatal(err)
				}
				resources = append(resources, r)
			}
			lines, err := api.Assess(resources, filter.NewDay(2026, time.March, 1))
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, l := range lines {
				text := gjson.GetBytes(l, "patient").String() + ":"
				if gjson.GetBytes(l, "patient").Type == gjson.Null {
					text = "null:"
				}
				for _, u := range gjson.GetBytes(l, "unread.#.resource").Array() {
					text += " " + u.String()
				}
				got = append(got, text)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("answers (-want +got):\n%s", diff)
			}
		})
	}
}
