package cards

import (
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
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
	if got := short(strings.Repeat("a", longestSummary)); got != strings.Repeat("a", longestSummary) || longestSummary != 139 {
		t.Errorf("of the longest: %q", got)
	}
	if got := short(strings.Repeat("a", longestSummary+1)); got != strings.Repeat("a", longestSummary-1)+"…" {
		t.Errorf("of one more: %q", got)
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
		order("loud", `{"resourceType":"MedicationRequest","id":"loud","status":"Stopped","intent":"order","authoredOn":"2026-01-02"}`),
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
		`{"authoredOn":"2026-01-02","id":"loud","intent":"order","resourceType":"MedicationRequest","status":"stopped"}`,
		`{"resourceType":"Medication","id":"m"}`,
	}
	if diff := cmp.Diff(want, texts(s.After)); diff != "" {
		t.Errorf("after (-want +got):\n%s", diff)
	}
	if len(s.Before) != 2 || !strings.Contains(string(s.Before[0].Raw), `"status":"active"`) || len(s.Ends) != 1 || s.Ends[0] != "MedicationRequest/first" {
		t.Errorf("before %v, ends %v", texts(s.Before), s.Ends)
	}
}

// TestTheMostPressingFilter: of several filters the card is about the one that presses most, and says that there are more; the others
// come after it.
func TestTheMostPressingFilter(t *testing.T) {
	t.Parallel()
	overdue := assess.Filter{Key: "a", Standing: "in-place", Verdict: "refer", Overdue: true, Asked: "none", Headline: "The reason has passed."}
	urgent := assess.Filter{Key: "b", Standing: "in-place", Verdict: "urgent", Asked: "requested", Headline: "It moved."}
	emergency := assess.Filter{Key: "c", Standing: "in-place", Verdict: "urgent", Emergency: true, Asked: "requested", Headline: "It is in the heart."}
	for _, filters := range [][]assess.Filter{{overdue, urgent, emergency}, {emergency, urgent, overdue}, {urgent, emergency, overdue}} {
		got := Of(Input{Hook: PatientView, Now: assess.Assessment{Filters: filters}})
		if len(got) != 3 || got[0].Key != "c" || got[1].Key != "b" || got[1].Kind != Urgent || got[2].Key != "a" || !strings.Contains(got[0].Card.Detail, "More than one filter") {
			t.Errorf("%+v", got)
		}
	}
}

// TestHospice: in hospice or palliative care an opened chart shows what is urgent and nothing else.
func TestHospice(t *testing.T) {
	t.Parallel()
	hospice := []assess.Finding{{Rule: "life-expectancy-limited"}}
	for name, c := range map[string]struct {
		f    assess.Filter
		want int
	}{
		"overdue": {assess.Filter{Standing: "in-place", Verdict: "refer", Overdue: true, Asked: "none"}, 1},
		"clarify": {assess.Filter{Standing: "unclear", Verdict: "clarify", Asked: "none"}, 1},
		"review":  {assess.Filter{Standing: "in-place", Verdict: "review", Asked: "none"}, 0},
		"urgent":  {assess.Filter{Standing: "in-place", Verdict: "urgent", Asked: "none"}, 1},
	} {
		if got := Of(Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{c.f}}}); len(got) != c.want {
			t.Errorf("%s: %+v", name, got)
		}
		c.f.Findings = hospice
		got := Of(Input{Hook: PatientView, Now: assess.Assessment{Filters: []assess.Filter{c.f}}})
		if shown := len(got) == 1 && got[0].Kind == Urgent; shown != (name == "urgent") || !shown && len(got) > 0 {
			t.Errorf("%s in hospice care: %+v", name, got)
		}
	}
}

// TestPutOffAtSigning: a referral that was put off is not asked for again when a treatment is started; that one is stopped is told.
func TestPutOffAtSigning(t *testing.T) {
	t.Parallel()
	on := filter.NewDay(2026, 3, 1)
	level := func(l string) assess.Assessment {
		return assess.Assessment{Filters: []assess.Filter{{Key: "a", Standing: "in-place", Verdict: "refer", Asked: "none", Anticoagulation: assess.Anticoagulation{Level: l}}}}
	}
	for name, c := range map[string]struct {
		before, after string
		until         filter.Day
		want          Kind
	}{
		"started":                       {"none", "therapeutic", 0, Started},
		"started, put off":              {"none", "therapeutic", on + 1, ""},
		"started, put off until today":  {"none", "therapeutic", on, Started},
		"stopped, put off":              {"therapeutic", "none", on + 1, Stopped},
		"nothing changes, not put off":  {"none", "none", 0, ""},
		"a treatment goes on, of two":   {"therapeutic", "indeterminate", 0, ""},
		"a low dose becomes treatment":  {"prophylactic", "therapeutic", 0, Started},
		"a treatment becomes low dosed": {"therapeutic", "prophylactic", 0, Stopped},
	} {
		in := Input{Hook: OrderSign, AsOf: on, Now: level(c.before), Signed: level(c.after), Referrals: []draft.Referral{{Key: "a", Reason: draft.Wanted, Round: 1, Until: c.until}}}
		got := Kind("")
		for _, o := range Of(in) {
			got = o.Kind
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// TestMatter: what an urgent card tells is its complications and whether one is an emergency; of the other kinds only the moment.
func TestMatter(t *testing.T) {
	t.Parallel()
	moved := assess.Finding{Rule: "displacement", Text: "It moved.", Evidence: []string{"Condition/1", "Condition/2"}}
	pe := assess.Finding{Rule: "new-pe", Text: "New, onset 2026-02-20.", Evidence: []string{"Condition/3"}}
	with := func(change func(*assess.Filter), findings ...assess.Finding) assess.Filter {
		f := assess.Filter{Key: "a", Standing: "in-place", Verdict: "urgent", Asked: "none", Headline: "It moved.", Findings: findings}
		if change != nil {
			change(&f)
		}
		return f
	}
	matter := func(hook Hook, moment string, f assess.Filter) string {
		got := Of(Input{Hook: hook, Moment: moment, Now: assess.Assessment{Filters: []assess.Filter{f}}})
		if len(got) != 1 {
			t.Fatalf("%d offers of %+v", len(got), f)
		}
		if got[0].Once != (hook == PatientView && !f.Emergency) {
			t.Errorf("%s, emergency %t: once is %t", hook, f.Emergency, got[0].Once)
		}
		return got[0].Matter
	}
	base := matter(PatientView, "", with(nil, moved))
	turned := moved
	turned.Evidence = []string{"Condition/2", "Condition/1"}
	for name, c := range map[string]struct {
		f    assess.Filter
		same bool
	}{
		"the same":                {with(nil, moved), true},
		"evidence in other order": {with(nil, turned), true},
		"other findings beside":   {with(nil, assess.Finding{Rule: "window-past"}, moved), true},
		"another behind it":       {with(nil, moved, pe), false},
		"an emergency":            {with(func(f *assess.Filter) { f.Emergency = true }, moved), false},
		"another instead":         {with(nil, pe), false},
	} {
		if got := matter(PatientView, "", c.f); (got == base) != c.same {
			t.Errorf("%s: %q and %q", name, got, base)
		}
	}
	later := pe
	later.Text = "New, onset 2026-02-27."
	if matter(PatientView, "", with(nil, pe)) == matter(PatientView, "", with(nil, later)) {
		t.Error("an event of another day is the same matter")
	}
	if matter(EncounterDischarge, "e1", with(nil, moved)) == matter(EncounterDischarge, "e2", with(nil, moved)) {
		t.Error("two discharges are one moment")
	}
	overdue := assess.Filter{Key: "a", Standing: "in-place", Verdict: "refer", Overdue: true, Asked: "none"}
	if m := matter(PatientView, "", overdue); m != "" {
		t.Errorf("an overdue filter has the matter %q", m)
	}
	if m := matter(EncounterDischarge, "e1", overdue); m != "e1" {
		t.Errorf("a discharge has the matter %q", m)
	}
}

// TestTheHeadlineStandsFirst: whatever is cut, the finding that the headline names is told.
func TestTheHeadlineStandsFirst(t *testing.T) {
	t.Parallel()
	f := assess.Filter{Verdict: "urgent", Emergency: true, Headline: "A fragment is in the heart."}
	for range shownFindings + 2 {
		f.Findings = append(f.Findings, assess.Finding{Rule: "haemorrhage", Text: "It bled."})
	}
	f.Findings = append(f.Findings, assess.Finding{Rule: "fracture", Text: f.Headline})
	if got := chosen(Urgent, f); got[0].Text != f.Headline {
		t.Errorf("%+v", got)
	}
}

func TestFingerprint(t *testing.T) {
	t.Parallel()
	print := func(text string) string {
		return Fingerprint(fhir.Resource{Type: "MedicationRequest", ID: "1", Raw: []byte(text)})
	}
	one := print(`{"id":"1","status":"draft","meta":{"versionId":"1"}}`)
	if one != print(`{ "status": "draft", "id": "1", "text": {} }`) || one == print(`{"id":"1","status":"stopped"}`) {
		t.Error("the same state differs, or another is the same")
	}
}
