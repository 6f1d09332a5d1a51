package chart

import (
	"testing"

	"dwellwatch/fhir"
)

// TestAmounts: a mark before three digits is thousands, a fraction, or not understood.
func TestAmounts(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text  string
		units bool
		want  float64
		ok    bool
	}{
		{"5", false, 5, true}, {"2.5", false, 2.5, true}, {"2,5", false, 2.5, true}, {"0.125", false, 0.125, true}, {"0,125", true, 0.125, true}, {"7.50", false, 7.5, true},
		{"5,000", true, 5000, true}, {"12,500", true, 12500, true}, {"1,250,000", true, 1250000, true}, {"1,250.5", true, 1250.5, true}, {"1.250,5", false, 1250.5, true},
		{"2,500", false, 0, false}, {"2.500", false, 0, false}, {"5.000", true, 0, false}, {"1.000", false, 0, false}, {"1234,500", true, 0, false},
		{"1,25,000", true, 0, false}, {"1.2.3", false, 0, false}, {"", false, 0, false},
	} {
		if got, ok := amountIn(c.text, c.units); got != c.want || ok != c.ok {
			t.Errorf("%q (units %v): %v %v, want %v %v", c.text, c.units, got, ok, c.want, c.ok)
		}
	}
}

// TestDoseElements: a dose of a 5 mg product; what is said and not understood is told apart from what is not said.
func TestDoseElements(t *testing.T) {
	t.Parallel()
	for raw, want := range map[string]struct {
		mg, kg float64
		ok     bool
	}{
		`{}`: {0, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg"}}]}`:                                              {5, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":2.5,"unit":"milligram"}}]}`:                                     {2.5, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":0.5,"unit":"Tablet(s)"}}]}`:                                     {2.5, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":0.5,"unit":"each"}}]}`:                                          {2.5, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":1,"code":"{tbl}"}}]}`:                                           {5, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg","code":"1"}}]}`:                                   {5, 0, true},
		`{"doseAndRate":[{"doseQuantity":{"value":1,"unit":"mg/kg"}}]}`:                                           {0, 1, true},
		`{"doseAndRate":[{"doseQuantity":{"value":1,"unit":"mg/kg"}},{"doseQuantity":{"value":80,"unit":"mg"}}]}`: {0, 1, true},
		`{"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg"}},{"doseQuantity":{"value":2.5,"unit":"mg"}}]}`:   {5, 0, false},
		`{"doseAndRate":[{"doseQuantity":{"value":0.2,"unit":"mL"}}]}`:                                            {0, 0, false},
		`{"doseAndRate":[{"doseQuantity":{"unit":"mg"}}]}`:                                                        {0, 0, false},
		`{"doseAndRate":[{"doseQuantity":{"value":5,"comparator":"<","unit":"mg"}}]}`:                             {0, 0, false},
		`{"doseAndRate":[{"doseRange":{"low":{"value":2.5,"unit":"mg"},"high":{"value":5,"unit":"mg"}}}]}`:        {0, 0, false},
		`{"doseAndRate":[{"rateQuantity":{"value":18,"unit":"units/kg/h"}}]}`:                                     {0, 0, false},
	} {
		mg, kg, ok := doseIn(fhir.Resource{Raw: []byte(raw)}.Document(), 5)
		if mg != want.mg || kg != want.kg || ok != want.ok {
			t.Errorf("%s: %v mg, %v per kg, understood %v; want %v", raw, mg, kg, ok, want)
		}
	}
}

// TestTimings: doses a day by a Timing, and whether all of it was understood.
func TestTimings(t *testing.T) {
	t.Parallel()
	for raw, want := range map[string]struct {
		perDay float64
		ok     bool
	}{
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}}`:                                                         {2, true},
		`{"repeat":{"period":12,"periodUnit":"h"}}`:                                                                      {2, true},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"mo"}}`:                                                        {0, false},
		`{"repeat":{"timeOfDay":["08:00:00"]}}`:                                                                          {1, true},
		`{"repeat":{"timeOfDay":["08:00:00","20:00:00"]}}`:                                                               {2, true},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d","timeOfDay":["08:00:00","20:00:00"]}}`:                     {2, true},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d","timeOfDay":["08:00:00"]}}`:                                {2, false},
		`{"repeat":{"when":["MORN"]}}`:                                                                                   {1, true},
		`{"repeat":{"when":["MORN","EVE"]}}`:                                                                             {2, true},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d","when":["PC"]}}`:                                           {2, true},
		`{"repeat":{"when":["PC"]}}`:                                                                                     {0, false},
		`{"repeat":{"frequency":1,"period":1,"periodUnit":"d","dayOfWeek":["mon"]}}`:                                     {1, false},
		`{"repeat":{"frequency":1,"period":1,"periodUnit":"d","dayOfWeek":["mon","tue","wed","thu","fri","sat","sun"]}}`: {1, true},
		`{"repeat":{"frequency":1,"frequencyMax":2,"period":1,"periodUnit":"d"}}`:                                        {1, false},
		`{"repeat":{"frequency":1,"period":1,"periodUnit":"d","duration":7,"durationUnit":"d"}}`:                         {1, false},
		`{"repeat":{"boundsPeriod":{"start":"2026-01-01"}}}`:                                                             {0, true},
		`{"event":["2026-01-01","2026-01-02"]}`:                                                                          {0, false},
		`{"code":{"coding":[{"code":"BID"}]}}`:                                                                           {2, true},
		`{"code":{"text":"BID"}}`:                                                                                        {2, true},
		`{"code":{"text":"2 times daily"}}`:                                                                              {2, true},
		`{"code":{"coding":[{"code":"200001"}],"text":"Every 12 hours"}}`:                                                {2, true},
		`{"code":{"coding":[{"code":"200001"}]}}`:                                                                        {0, false},
		`{"code":{"text":"once"}}`:                                                                                       {0, false},
		`{"code":{"text":"before journeys"}}`:                                                                            {0, false},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d"},"code":{"coding":[{"code":"200001"}]}}`:                   {2, true},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d"},"code":{"coding":[{"code":"QD"}]}}`:                       {2, false},
		`{"repeat":{"frequency":2,"period":1,"periodUnit":"d"},"code":{"text":"twice daily before meals"}}`:              {2, true},
		`{"repeat":{"frequency":1,"period":1,"periodUnit":"d"},"code":{"text":"Once"}}`:                                  {1, false},
	} {
		if got, ok := perDay(fhir.Resource{Raw: []byte(raw)}.Document(), newSigPatterns()); got != want.perDay || ok != want.ok {
			t.Errorf("%s: %v a day, understood %v; want %v", raw, got, ok, want)
		}
	}
	if got, ok := perDay(fhir.Value{}, newSigPatterns()); got != 0 || !ok {
		t.Errorf("no timing: %v a day, understood %v", got, ok)
	}
}

// TestFlushProducts: heparin that keeps a line open is known by the name of the product, too.
func TestFlushProducts(t *testing.T) {
	t.Parallel()
	for words, want := range map[string]bool{"Heparin lock flush 100 units/mL": true, "heparin flush": true, "heparin 5,000 units injection": false, "enoxaparin 40 mg": false} {
		if p, ok := anticoagulant(concept{words: words}); !ok || p.flush != want {
			t.Errorf("%q: %+v %v, want flush %v", words, p, ok, want)
		}
	}
	if p, _ := anticoagulant(concept{words: "heparin 5,000 units injection"}); p.strength != 5000 {
		t.Errorf("strength %v, want 5000", p.strength)
	}
	if p, _ := anticoagulant(concept{words: "dalteparin 2.500 units"}); p.strength != 0 {
		t.Errorf("strength %v, want none", p.strength)
	}
}
