package cdshooks

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

const (
	shownCard   = "0a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11"
	strangeCard = "1a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11"
)

func fed(entries ...string) string { return `{"feedback":[` + strings.Join(entries, ",") + `]}` }

func one(more string) string {
	return `{"card":"` + shownCard + `","outcome":"overridden","outcomeTimestamp":"2026-03-01T10:00:00+01:00"` + more + `}`
}

const putOff = `,"overrideReason":{"reason":{"code":"not-now","system":"urn:dwellwatch:card-override"},"userComment":"after the holiday","extension":{"urn:dwellwatch:put-off":{"until":"2026-04-01","by":"Practitioner/7"}}}`

// TestFeedback: what is stored, and what puts a referral off. A bare dismissal, and a reason without a day, put nothing off.
func TestFeedback(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	with := func(change func(*Fed)) Fed {
		f := Fed{Card: shownCard, Service: family + "patient-view", Outcome: "overridden", At: at, Issuer: "https://ehr.example"}
		change(&f)
		return f
	}
	same := func(*Fed) {}
	decided := Decision{Token: shownCard + "|2026-03-01T09:00:00Z", By: "Practitioner/7", Why: "after the holiday", Until: filter.NewDay(2026, 4, 1)}
	for name, c := range map[string]struct {
		text    string
		stored  []Fed
		snoozed []Decision
	}{
		"a browser's dismissal":       {one(""), []Fed{with(same)}, nil},
		"in capitals":                 {strings.Replace(one(""), shownCard, strings.ToUpper(shownCard), 1), []Fed{with(same)}, nil},
		"a reason of ours":            {one(`,"overrideReason":{"reason":{"code":"not-now","system":"urn:dwellwatch:card-override"}}`), []Fed{with(func(f *Fed) { f.Reason = "not-now" })}, nil},
		"a reason without its system": {one(`,"overrideReason":{"reason":{"code":"stays"}}`), []Fed{with(func(f *Fed) { f.Reason = "stays" })}, nil},
		"a reason of somebody":        {one(`,"overrideReason":{"reason":{"code":"contraindicated","system":"http://x.example"}}`), []Fed{with(func(f *Fed) { f.Reason = "other" })}, nil},
		"words":                       {one(`,"overrideReason":{"userComment":"Mr Doe is on holiday"}`), []Fed{with(func(f *Fed) { f.Reason = "other" })}, nil},
		"accepted":                    {strings.Replace(one(`,"acceptedSuggestions":[{"id":"2a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11"}]`), "overridden", "accepted", 1), []Fed{with(func(f *Fed) { f.Outcome = "accepted" })}, nil},
		"of a card never shown":       {strings.Replace(one(putOff), shownCard, strangeCard, 1), nil, nil},
		"put off":                     {one(putOff), []Fed{with(func(f *Fed) { f.Reason, f.By = "not-now", "Practitioner/7" })}, []Decision{decided}},
		"put off and accepted":        {strings.Replace(one(putOff+`,"acceptedSuggestions":[{"id":"x"}]`), "overridden", "accepted", 1), []Fed{with(func(f *Fed) { f.Outcome = "accepted" })}, nil},
	} {
		r := setup(t, nil)
		r.told[shownCard] = Told{Key: "k", Same: true}
		w := r.send(http.MethodPost, "/cds-services/"+family+"patient-view/feedback", fed(c.text))
		if w.Code != http.StatusOK || w.Body.Len() > 0 {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		if diff := cmp.Diff(c.stored, r.fed); diff != "" {
			t.Errorf("%s: stored (-want +got):\n%s", name, diff)
		}
		if diff := cmp.Diff(c.snoozed, r.snoozed); diff != "" {
			t.Errorf("%s: put off (-want +got):\n%s", name, diff)
		}
	}
}

func TestFeedbackThatIsRefused(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ text, want string }{
		"no JSON":           {`{`, "400, structure"},
		"nothing":           {`{}`, "400, required feedback"},
		"empty":             {fed(), "400, required feedback"},
		"of wrong kind":     {`{"feedback":{}}`, "400, structure feedback"},
		"no members":        {fed(`{}`), "400, required feedback[0].card, value feedback[0].outcome, value feedback[0].outcomeTimestamp"},
		"fb-1":              {fed(one(""), strings.Replace(one(""), "overridden", "ignored", 1)), "400, value feedback[1].outcome"},
		"fb-2":              {fed(strings.Replace(one(""), "overridden", "accepted", 1)), "400, required feedback[0].acceptedSuggestions"},
		"no zone":           {fed(strings.Replace(one(""), "+01:00", "", 1)), "400, value feedback[0].outcomeTimestamp"},
		"put off, no words": {fed(one(strings.Replace(putOff, `"userComment":"after the holiday",`, "", 1))), "400, required feedback[0].overrideReason.userComment"},
		"put off, no day":   {fed(one(strings.Replace(putOff, "2026-04-01", "soon", 1))), "400, value feedback[0].overrideReason.extension.urn:dwellwatch:put-off.until"},
		"put off, odd by":   {fed(one(strings.Replace(putOff, "Practitioner/7", `\u0000/Practitioner/7`, 1))), "400, value feedback[0].overrideReason.extension.urn:dwellwatch:put-off.by"},
		"put off, odd why":  {fed(one(strings.Replace(putOff, "after the holiday", `after\u0000`, 1))), "400, value feedback[0].overrideReason.userComment"},
		"put off, too long": {fed(one(strings.Replace(putOff, "after the holiday", strings.Repeat("x", 1001), 1))), "400, too-long feedback[0].overrideReason.userComment"},
		"put off by nobody": {fed(one(strings.Replace(putOff, "Practitioner/7", "", 1))), "400, value feedback[0].overrideReason.extension.urn:dwellwatch:put-off.by"},
		"put off as a text": {fed(one(`,"overrideReason":{"userComment":"x","extension":{"urn:dwellwatch:put-off":"2026-04-01"}}`)), "400, structure feedback[0].overrideReason.extension.urn:dwellwatch:put-off"},
		"too many":          {fed(strings.Split(strings.Repeat(one("")+"\n", 1001), "\n")[:1001]...), "413, too-costly feedback"},
	} {
		r := setup(t, nil)
		r.told[shownCard] = Told{Key: "k", Same: true}
		if got := issues(t, r.send(http.MethodPost, "/cds-services/"+family+"patient-view/feedback", c.text)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if len(r.fed)+len(r.snoozed) > 0 {
			t.Errorf("%s: something was stored", name)
		}
	}
}

// TestADayThatIsPast: it is the day that is named, not the referral.
func TestADayThatIsPast(t *testing.T) {
	t.Parallel()
	for day, want := range map[string]string{"2026-02-28": ".until", "2026-03-01": ".until", "2026-03-02": ""} {
		r := setup(t, nil)
		r.told[shownCard], r.refusal = Told{Key: "k", Same: true}, fmt.Errorf("no: %w", fault.Invalid)
		got := issues(t, r.send(http.MethodPost, "/cds-services/"+family+"patient-view/feedback", fed(one(strings.Replace(putOff, "2026-04-01", day, 1)))))
		if want := "422, business-rule feedback[0].overrideReason.extension.urn:dwellwatch:put-off" + want; got != want {
			t.Errorf("%s: %s, want %s", day, got, want)
		}
	}
}

// TestPuttingOffIsRefused: the override is stored all the same; the client hears why the referral stands as it did.
func TestPuttingOffIsRefused(t *testing.T) {
	t.Parallel()
	const at = "feedback[0].overrideReason.extension.urn:dwellwatch:put-off"
	for name, c := range map[string]struct {
		told    Told
		refusal error
		want    string
	}{
		"not followed":   {Told{}, nil, "422, business-rule " + at},
		"somebody else":  {Told{Key: "k"}, nil, "422, business-rule " + at + ".by"},
		"urgent":         {Told{Key: "k", Same: true}, fmt.Errorf("no: %w", fault.Invalid), "422, business-rule " + at},
		"nothing stands": {Told{Key: "k", Same: true}, fmt.Errorf("no: %w", fault.NotFound), "422, business-rule " + at},
	} {
		r := setup(t, nil)
		r.told[shownCard], r.refusal = c.told, c.refusal
		if got := issues(t, r.send(http.MethodPost, "/cds-services/"+family+"patient-view/feedback", fed(one(putOff)))); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if len(r.fed) != 1 || len(r.snoozed) != 0 {
			t.Errorf("%s: %d stored, %d put off", name, len(r.fed), len(r.snoozed))
		}
	}
}
