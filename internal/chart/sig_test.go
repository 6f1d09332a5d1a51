package chart

import (
	"strings"
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
		"10 mg twice daily for 7 days, then 5 mg twice daily": {{dose: 10, unit: "mg", perDay: 2, length: length{days: 7}}, {dose: 5, unit: "mg", perDay: 2}},
		"15 mg BID for 3 weeks followed by 20 mg daily":       {{dose: 15, unit: "mg", perDay: 2, length: length{days: 21}}, {dose: 20, unit: "mg", perDay: 1}},
		"5,000 units subcutaneously every 8 hours":            {{dose: 5000, unit: "[iU]", perDay: 3}},
		"12,500 units once daily":                             {{dose: 12500, unit: "[iU]", perDay: 1}},
		"5 mg twice daily for six weeks":                      {{dose: 5, unit: "mg", perDay: 2, length: length{days: 42}}},
		"5 mg twice daily for twelve months":                  {{dose: 5, unit: "mg", perDay: 2, length: length{months: 12}}},
		"5 mg as needed":                                      {{never: true}},
		"40 mg daily in the evening":                          {{dose: 40, unit: "mg", perDay: 1}},

		"5 mg":        {{dose: 5, unit: "mg"}},
		"twice daily": {{perDay: 2}},
		"with food":   {{}},
		"Take 1 tablet (5 mg total) by mouth 2 (two) times daily.": {{dose: 5, unit: "mg", perDay: 2}},
		"Take 2 tablets (10 mg total) by mouth 2 times a day":      {{dose: 10, unit: "mg", perDay: 2}},
		"Take one tablet by mouth twice daily for blood clots":     {{dose: 1, unit: "{tbl}", perDay: 2}},
		"apixaban 5 mg twice daily, every day":                     {{dose: 5, unit: "mg", perDay: 2}},
		"5 mg in the morning and in the evening":                   {{dose: 5, unit: "mg", perDay: 2}},
		"4 tablets twice daily":                                    {{dose: 4, unit: "{tbl}", perDay: 2}},

		"":                                           nil,
		"as directed":                                nil,
		"half a tablet twice daily":                  nil,
		"half a tablet of 5 mg twice daily":          nil,
		"½ tablet twice daily":                       nil,
		"20 mg every other day":                      nil,
		"20 mg daily, 5 days a week":                 nil,
		"5 mg twice daily, not yet started":          nil,
		"5 mg twice daily from 1 April 2026":         nil,
		"5 mg twice daily, ask":                      nil,
		"5 mg twice daily, three times a day":        nil,
		"2 tablets (10 mg) or 1 tablet daily":        nil,
		"5 mg or 10 mg twice daily":                  nil,
		"5 mg 10 mg twice daily":                     nil,
		"two 5 mg tablets twice daily":               nil, // the strength and the dose differ
		"10 mg twice daily, then 5 mg twice daily":   nil, // from when on is not said
		"do not take 5 mg twice daily":               nil,
		"5 mg twice daily until the operation":       nil,
		"5 mg twice daily, hold before the biopsy":   nil,
		"5 mg twice daily for 7 days then as before": nil,
		"5.000 units every 8 hours":                  nil, // thousands, or a fraction
		"2,500 mg once daily":                        nil,
		"5 000 units every 8 hours":                  nil,
		"5 mg twice daily for 1.000 days":            nil,
		"once":                                       nil,
		"dose by INR":                                nil,
	} {
		if diff := cmp.Diff(want, newSigPatterns().sigsOf(text), cmp.AllowUnexported(sig{}, length{})); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
}

// TestWordsAgainstElements: words beside a coded dose that speak against it, and the usual ones that do not.
func TestWordsAgainstElements(t *testing.T) {
	t.Parallel()
	for words, want := range map[string]bool{
		"HOLD - 5 mg bid": true, "on hold until surgery": true, "STOPPED 2025-12-01 due to bleeding": true, "not taking": true, "half a tablet": true, "1/2 tablet twice daily": true,
		"1 tablet before long flights": true, "as needed": true, "every other day": true, "½ tablet": true, "no longer": true,
		"Take 1 tablet by mouth twice daily": false, "Do not stop taking this without asking": false, "Take with food before bedtime": false, "with or without food": false, "hold the syringe upright": false, "hold": true, "Hold before the biopsy": true,
	} {
		if got := newSigPatterns().against.MatchString(strings.ToLower(words)); got != want {
			t.Errorf("%q: %v, want %v", words, got, want)
		}
	}
}
