package desk

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
)

// maxSaid is how many saved answers a page looks through.
const maxSaid = 300

// Said is what was said of a filter from a day on, until something else was said.
type Said struct {
	From, To string // days; the same where it was said on one day only
	Verdict  string
	Headline string
	Overdue  bool
	Changes  []assess.Change // since what was said before; nil for the first
}

// saidOf tells what was said of a filter, the newest first. Answers that say the same are one.
func saidOf(answers []postgres.Said, key string) []Said {
	var out []Said
	var last *assess.Said
	for _, s := range slices.Backward(answers) {
		var a assess.Assessment
		if json.Unmarshal(s.Answer, &a) != nil {
			continue
		}
		at := slices.IndexFunc(a.Filters, func(f assess.Filter) bool { return f.Key == key })
		if at < 0 {
			continue
		}
		a.Filters = a.Filters[at : at+1]
		f := a.Filters[0]
		now := assess.Said{Assessment: a}
		var changes []assess.Change
		if last != nil {
			if changes = told(assess.Changes(*last, now)); len(changes) == 0 {
				out[len(out)-1].To = a.AsOf
				continue
			}
		}
		last = &now
		out = append(out, Said{From: a.AsOf, To: a.AsOf, Verdict: f.Verdict, Headline: f.Headline, Overdue: f.Overdue, Changes: changes})
	}
	slices.Reverse(out)
	return out
}

// told leaves out changes of what is missing and of what was read: they come and go while the record is read, and say nothing new.
func told(changes []assess.Change) []assess.Change {
	return slices.DeleteFunc(changes, func(x assess.Change) bool { return slices.Contains([]string{"missing", "context", "details"}, x.About) })
}

// Stage is one step in the life of our Task in the record.
type Stage struct {
	At      time.Time
	Status  string
	Owner   string
	Reason  string
	Intent  string
	Ours    bool // nobody else has changed it yet, or we closed it
	Deleted bool
}

// life tells how our Tasks went, as far as the record told of it; versions that change nothing that people see are left out.
func (d Desk) life(ctx context.Context, key string) ([]Stage, error) {
	versions, err := d.Store.TaskVersions(ctx, key)
	if err != nil {
		return nil, err
	}
	var out []Stage
	before := map[string]Stage{}
	for _, v := range versions {
		if v.Body == nil {
			out = append(out, Stage{At: v.ReceivedAt.In(d.Basis.Zone), Deleted: true})
			continue
		}
		t := gjson.ParseBytes(v.Body)
		s := Stage{Status: t.Get("status").String(), Owner: owned(t), Reason: t.Get("statusReason.text").String(), Intent: t.Get("intent").String()}
		s.Ours = s.Status == "draft" || s.Status == "requested" || strings.Contains(t.Get("statusReason.coding.#.system").Raw, "urn:dwellwatch:closed")
		id := t.Get("id").String()
		if before[id] == s {
			continue
		}
		before[id] = s
		s.At = v.ReceivedAt.In(d.Basis.Zone)
		out = append(out, s)
	}
	slices.Reverse(out)
	return out, nil
}

// owned names the owner of a Task: by name, else by reference.
func owned(t gjson.Result) string {
	if name := t.Get("owner.display").String(); name != "" {
		return name
	}
	return t.Get("owner.reference").String()
}

// Done is one thing that a person did at the worklist.
type Done struct {
	Token     string
	At        time.Time
	Kind      string
	What      string // in words, where the kind does not say it
	By        string
	Why       string
	Until     string
	Entry     string // what was entered, as Type/id of the feed local; "" for a decision
	TakenBack bool
	said      string // digest of what the form said
}

// done tells what people did about a filter, the newest first.
func (d Desk) done(ctx context.Context, v View) ([]Done, error) {
	acts, err := d.Store.Acts(ctx, v.Line.Key)
	if err != nil {
		return nil, err
	}
	out := make([]Done, 0, len(acts))
	for _, a := range acts {
		one := Done{Token: a.Token, At: a.At.In(d.Basis.Zone), Kind: a.Kind, By: a.ByName, Why: a.Why, Entry: a.Entry, said: a.Form}
		if a.Until < filter.MaxDay {
			one.Until = a.Until.String()
		}
		if raw := v.local(a.Entry); raw != nil {
			one.What = wordsOf(raw)
			one.TakenBack = gjson.GetBytes(raw, "status").String() == "entered-in-error" || strings.Contains(gjson.GetBytes(raw, "verificationStatus").Raw, "entered-in-error")
		}
		out = append(out, one)
	}
	return out, nil
}

// local gives what is kept of an entry of the feed local; nil where nothing is.
func (v View) local(ref string) []byte {
	for _, s := range v.record.Resources {
		if s.Feed == postgres.LocalFeed && s.Resource.Ref() == ref {
			return s.Resource.Raw
		}
	}
	return nil
}

// wordsOf says what an entry of the feed local tells.
func wordsOf(raw []byte) string {
	r := gjson.ParseBytes(raw)
	switch r.Get("resourceType").String() {
	case "Communication":
		if r.Get("status").String() == "completed" {
			return "Reached, " + r.Get("medium.0.text").String()
		}
		return "Not reached, " + r.Get("medium.0.text").String()
	case "ClinicalImpression":
		text := r.Get("summary").String()
		if until := r.Get("extension.0.valueDate").String(); until != "" {
			text += " Look again on " + until + "."
		}
		return text
	case "Procedure":
		on := r.Get("performedDateTime").String()
		switch {
		case r.Get("status").String() == "not-done":
			return "Not attempted, " + on
		case r.Get("outcome.text").Exists():
			return r.Get("outcome.text").String() + ", " + on
		case r.Get("contained.0.deviceName.0.name").Exists():
			return "The model is " + r.Get("contained.0.deviceName.0.name").String()
		}
		return "Placed on " + on
	case "Device":
		return "The model is " + r.Get("deviceName.0.name").String()
	case "Condition":
		return "Dealt with on " + r.Get("abatementDateTime").String()
	case "MedicationRequest", "MedicationStatement":
		return "Anticoagulant stopped"
	case "DetectedIssue":
		return "A record entry does not hold"
	case "Observation":
		return "The filter is not in this patient"
	}
	return ""
}
