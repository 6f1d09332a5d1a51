package cards

import (
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// TestSummariesAreShort: whatever the headline, and however characters are counted.
func TestSummariesAreShort(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := assess.Filter{Headline: rapid.String().Draw(t, "headline"), Verdict: "urgent", Emergency: rapid.Bool().Draw(t, "emergency")}
		for _, k := range []Kind{Urgent, Overdue, Clarify, Discharge, Started, Stopped, Booked} {
			s := short(summary(k, f))
			if n := len(utf16.Encode([]rune(s))); n == 0 || n > longestSummary {
				t.Fatalf("%s: %d characters: %q", k, n, s)
			}
		}
	})
	long := short(strings.Repeat("wörter 🙂 ", 40))
	if !strings.HasSuffix(long, "…") || strings.Contains(long, "\ufffd") {
		t.Errorf("cut: %q", long)
	}
	if got := short("as it is."); got != "as it is." {
		t.Errorf("not cut: %q", got)
	}
}

// TestWordsOfTheRecordAreNoMarkup: what a record says is shown as it is, whatever characters it holds.
func TestWordsOfTheRecordAreNoMarkup(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"plain, 5 mg (x).":           "plain, 5 mg (x).",
		"<img src=x>":                `\<img src=x\>`,
		"[a](http://x) *b* `c` |d|#": `\[a\](http://x) \*b\* \` + "`c\\` " + `\|d\|\#`,
		"two\nlines\t":               "two lines ",
		`back\slash_`:                `back\\slash\_`,
		"&lt;":                       `\&lt;`,
	} {
		if got := escaped(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	agent := "war|farin <b>"
	f := assess.Filter{Headline: "a | b <script>", Findings: []assess.Finding{{Rule: "r", Text: "x | y\n<i>", Evidence: []string{"Procedure/1|`", "Device/2"}, Source: "s | t", Known: "memory"}},
		Anticoagulation: assess.Anticoagulation{Level: "therapeutic", Agent: &agent}}
	in := Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{f}}}
	for _, line := range strings.Split(in.detail(Overdue, f), "\n") {
		if strings.HasPrefix(line, "|") && strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") != 4 {
			t.Errorf("a row has other cells: %s", line)
		}
		if strings.Contains(strings.ReplaceAll(line, `\<`, ""), "<") {
			t.Errorf("HTML: %s", line)
		}
	}
}

func TestSign(t *testing.T) {
	t.Parallel()
	on := filter.NewDay(2026, 3, 1)
	order := func(id, text string) fhir.Resource {
		return fhir.Resource{Type: "MedicationRequest", ID: id, Raw: []byte(text)}
	}
	s := Sign([]fhir.Resource{
		order("new", `{"resourceType":"MedicationRequest","id":"new","status":"draft"}`),
		order("old", `{"resourceType":"MedicationRequest","id":"old","status":"stopped","intent":"order","authoredOn":"2026-01-02","priorPrescription":{"reference":"MedicationRequest/first"}}`),
		{Type: "Medication", ID: "m", Raw: []byte(`{"resourceType":"Medication","id":"m"}`)},
	}, on)
	texts := func(list []fhir.Resource) []string {
		var out []string
		for _, r := range list {
			out = append(out, string(r.Raw))
		}
		return out
	}
	want := []string{
		`{"authoredOn":"2026-03-01","id":"new","intent":"order","resourceType":"MedicationRequest","status":"active"}`,
		`{"resourceType":"MedicationRequest","id":"old","status":"stopped","intent":"order","authoredOn":"2026-01-02","priorPrescription":{"reference":"MedicationRequest/first"}}`,
		`{"resourceType":"Medication","id":"m"}`,
	}
	if diff := cmp.Diff(want, texts(s.After)); diff != "" {
		t.Errorf("after (-want +got):\n%s", diff)
	}
	if len(s.Before) != 1 || !strings.Contains(string(s.Before[0].Raw), `"status":"active"`) || len(s.Ends) != 1 || s.Ends[0] != "MedicationRequest/first" {
		t.Errorf("before %v, ends %v", texts(s.Before), s.Ends)
	}
}

// TestTheMostPressingFilter: of several filters the card is about the one that presses most, and says that there are more.
func TestTheMostPressingFilter(t *testing.T) {
	t.Parallel()
	overdue := assess.Filter{Key: "a", Standing: "in-place", Verdict: "refer", Overdue: true, Asked: "none", Headline: "The reason has passed."}
	urgent := assess.Filter{Key: "b", Standing: "in-place", Verdict: "urgent", Asked: "requested", Headline: "It moved."}
	for _, filters := range [][]assess.Filter{{overdue, urgent}, {urgent, overdue}} {
		list := Offers(Input{Hook: PatientView, Now: assess.Assessment{Filters: filters}})
		if len(list) != 2 {
			t.Fatalf("%d cards", len(list))
		}
		if o := list[0]; o.Key != "b" || o.Kind != Urgent || !strings.Contains(o.Card.Detail, "More than one filter") {
			t.Errorf("%+v", o)
		}
	}
	hospice := overdue
	hospice.Findings = []assess.Finding{{Rule: "life-expectancy-limited"}}
	if list := Offers(Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{hospice}}}); len(list) != 0 {
		t.Errorf("in hospice care: %+v", list)
	}
	hospice.Verdict = "urgent"
	if list := Offers(Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{hospice}}}); len(list) != 1 || list[0].Kind != Urgent {
		t.Errorf("urgent in hospice care: %+v", list)
	}
}

// TestEachComplicationIsAMatterOfItsOwn: a new complication, an emergency, and the same entries on another day are told to who was
// told before; the order of the findings, and findings that are no complication, change nothing.
func TestEachComplicationIsAMatterOfItsOwn(t *testing.T) {
	t.Parallel()
	on := "2026-02-20"
	moved := assess.Finding{Rule: "displacement", Text: "It moved.", Evidence: []string{"Condition/1"}, When: &assess.Range{Earliest: &on, Latest: &on}}
	clot := assess.Finding{Rule: "new-pe", Text: "New PE.", Evidence: []string{"Condition/2"}}
	other := clot
	other.Evidence = []string{"Condition/3"}
	offer := func(emergency bool, findings ...assess.Finding) Offer {
		f := assess.Filter{Key: "a", Standing: "in-place", Verdict: "urgent", Emergency: emergency, Headline: "It moved.", Findings: findings}
		return Offers(Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{f}}})[0]
	}
	first := offer(false, moved)
	for name, c := range map[string]struct {
		o    Offer
		same bool
	}{
		"the same":             {offer(false, moved), true},
		"with other findings":  {offer(false, assess.Finding{Rule: "window", Text: "x"}, moved), true},
		"with a new embolism":  {offer(false, moved, clot), false},
		"an embolism alone":    {offer(false, clot), false},
		"it is an emergency":   {offer(true, moved), false},
		"another entry":        {offer(false, assess.Finding{Rule: "displacement", Evidence: []string{"Condition/9"}, When: moved.When}), false},
		"another day of onset": {offer(false, assess.Finding{Rule: "displacement", Evidence: moved.Evidence}), false},
	} {
		if same := c.o.Matter == first.Matter && c.o.Rank == first.Rank; same != c.same {
			t.Errorf("%s: the same matter: %t", name, same)
		}
	}
	if offer(false, moved, clot).Matter != offer(false, clot, moved).Matter || offer(false, clot).Matter == offer(false, other).Matter {
		t.Error("order counts, or entries do not")
	}
	if offer(true, moved).Rank <= first.Rank {
		t.Error("an emergency does not outrank what is urgent")
	}
}
