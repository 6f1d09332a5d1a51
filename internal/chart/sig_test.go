package chart

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestSigs: the usual ways of writing a dose are read, and what leaves a doubt is not. Common practice, no source: no two hospitals
// write these alike.
func TestSigs(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]sig{
		"5 mg twice daily":                                    {{dose: 5, unit: "mg", perDay: 2}},
		"Take 5mg by mouth 2x daily":                          {{dose: 5, unit: "mg", perDay: 2}},
		"20 mg once daily with food":                          {{dose: 20, unit: "mg", perDay: 1}},
		"2.5 MG PO BID":                                       {{dose: 2.5, unit: "mg", perDay: 2}},
		"2,5 mg b.i.d.":                                       {{dose: 2.5, unit: "mg", perDay: 2}},
		"80 mg SC q12h":                                       {{dose: 80, unit: "mg", perDay: 2}},
		"1 mg/kg every 12 hours":                              {{dose: 1, unit: "mg/kg", perDay: 2}},
		"200 units/kg once daily":                             {{dose: 200, unit: "[iU]/kg", perDay: 1}},
		"5000 units subcutaneously every 8 hours":             {{dose: 5000, unit: "[iU]", perDay: 3}},
		"take one tablet twice a day":                         {{dose: 1, unit: "{tbl}", perDay: 2}},
		"one 5 mg tablet twice daily":                         {{dose: 5, unit: "mg", perDay: 2}},
		"1 tab daily":                                         {{dose: 1, unit: "{tbl}", perDay: 1}},
		"10 mg twice daily for 7 days, then 5 mg twice daily": {{dose: 10, unit: "mg", perDay: 2, days: 7}, {dose: 5, unit: "mg", perDay: 2}},
		"15 mg BID for 3 weeks followed by 20 mg daily":       {{dose: 15, unit: "mg", perDay: 2, days: 21}, {dose: 20, unit: "mg", perDay: 1}},
		"5 mg as needed":                                      {{dose: 5, unit: "mg", never: true}},
		"40 mg daily in the evening":                          {{dose: 40, unit: "mg", perDay: 1}},

		"":                             nil,
		"as directed":                  nil,
		"5 mg":                         nil,
		"twice daily":                  nil,
		"5 mg or 10 mg twice daily":    nil,
		"5 mg 10 mg twice daily":       nil,
		"two 5 mg tablets twice daily": nil, // the strength and the dose differ
		"10 mg twice daily, then 5 mg twice daily":   nil, // from when on is not said
		"do not take 5 mg twice daily":               nil,
		"5 mg twice daily until the operation":       nil,
		"5 mg twice daily, hold before the biopsy":   nil,
		"5 mg twice daily for 7 days then as before": nil,
		"dose by INR": nil,
	} {
		if diff := cmp.Diff(want, newSigPatterns().sigsOf(text), cmp.AllowUnexported(sig{})); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
}
