package desk

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
)

// Form is what every form that changes something carries.
type Form struct {
	Page   string
	Token  string
	Stands string // View.Stands of the page that the form was on, or Stands of its line on the list
	Said   string // digest of what the form says
	Unseen bool   // it was on no page: a decision that was told from a card
	call   bool   // the list has it too, and shows less of a filter than its page
	By     Caller
	Why    string
}

// Decide carries out a decision on a referral: approve, decline or snooze. until is of decline and snooze. The error is Refused where it
// cannot be done, and Moved where the state has moved on.
func (d Desk) Decide(ctx context.Context, f Form, kind draft.ActKind, until filter.Day) error {
	return d.with(ctx, f, func(w work) error { return w.decide(ctx, kind, until) })
}

func (w work) decide(ctx context.Context, kind draft.ActKind, until filter.Day) error {
	d, v, f := w.d, w.view, w.form
	if why := v.forbids(kind); why != "" {
		return refuse(why)
	}
	today := d.Today()
	act := draft.Act{Kind: kind, By: f.By.Name, Why: f.Why}
	if kind != draft.Approve {
		act.Until = until
	}
	next, err := draft.Decide(v.Referral, act, permanent(v), today)
	if err != nil {
		return refuse(wordsOfFault(err, v.May.LongestDays)...)
	}
	document, err := redrafted(v.asked, next)
	if err != nil {
		return err
	}
	seen := draft.Seen{Status: v.Line.TaskStatus, Owner: v.Line.TaskOwner}
	if kind == draft.Approve {
		seen = draft.Seen{}
	}
	note := postgres.Act{Token: f.Token, Key: v.Line.Key, At: d.Now(), Kind: string(kind), BySubject: f.By.Subject, ByName: f.By.Name, Why: act.Why, Until: filter.MaxDay, Form: f.Said}
	if act.Until > 0 {
		note.Until = act.Until
	}
	err = d.Store.Decide(ctx, v.person, postgres.Decision{Act: note, Seen: v.seen(), Expected: v.asked.Version, Referral: next, Document: document,
		Line: agenda.Of(v.Assessment, v.Filter, next, seen, today)})
	if err == nil {
		d.settled(ctx, v.person, v.record.ChartVersion+1)
	}
	return err
}

// seen is how the record stood when the page was read.
func (v View) seen() postgres.Seen {
	return postgres.Seen{Chart: v.record.ChartVersion, Saves: v.record.Saves}
}

// forbids says why a decision cannot be made as things stand; "" where it can.
func (v View) forbids(kind draft.ActKind) string {
	if kind == draft.Approve {
		return v.May.ApproveNot
	}
	return v.May.PutOffNot
}

// unmoved compares what a form was made from with what stands.
func (d Desk) unmoved(v View, f Form) error {
	if f.Unseen || f.Stands == v.Stands || f.call && f.Stands == Stands(v.Line) {
		return nil
	}
	return &Moved{d.moved(v)}
}

// moved says how things stand now, the newest first.
func (d Desk) moved(v View) []string {
	out := []string{"Now: " + VerdictWords(v.Line.Verdict) + ". " + v.Line.Headline}
	if !v.Line.Listed {
		out = []string{"The filter is not on the worklist any more: the entries that told of it do not hold."}
	}
	if v.Line.TaskStatus != "" {
		out = append(out, "The Task in the record is "+v.Line.TaskStatus+".")
	}
	if len(v.Done) > 0 {
		last := v.Done[0]
		out = append(out, "Last done here: "+KindWords(last.Kind)+", "+last.By+", "+last.At.Format("2006-01-02 15:04")+".")
	}
	return out
}

// redrafted gives the document of a referral with its new state.
func redrafted(asked postgres.WantedReferral, next draft.Referral) ([]byte, error) {
	var doc compose.Document
	if err := json.Unmarshal(asked.Document, &doc); err != nil {
		return nil, fmt.Errorf("read what was asked: %w", err)
	}
	doc.Earlier, doc.Referral = doc.Followed(asked.Holds), next
	return json.Marshal(doc)
}

// wordsOfFault says for people what is wrong with a decision.
func wordsOfFault(err error, longest int) []string {
	var out []string
	for line := range strings.SplitSeq(err.Error(), "\n") {
		element, text, _ := strings.Cut(line, ": ")
		switch element {
		case "why":
			out = append(out, "Give the reason.")
		case "until":
			out = append(out, fmt.Sprintf("Give a day to return to it, 1 to %d days ahead.", longest))
		default:
			if text != "" {
				text = strings.ToUpper(text[:1]) + text[1:] + "."
			}
			out = append(out, text)
		}
	}
	return out
}

// VerdictWords names a verdict for people.
func VerdictWords(verdict string) string {
	return map[string]string{"urgent": "Act now", "refer": "Ask for retrieval", "review": "Clinician reviews", "clarify": "Find out", "wait": "Wait", "keep": "Stays in", "closed": "Closed"}[verdict]
}

// KindWords names what was done for people.
func KindWords(kind string) string {
	return map[string]string{"approve": "Approved", "decline": "Declined", "snooze": "Put off", "contact": "Contact attempt", "outcome": "Outcome", "reassessment": "Re-assessment",
		"correction": "Correction", "complication": "Complication dealt with", "take-back": "Entry taken back"}[kind]
}

// AttentionWords says why a person must look at what was written to the record, or was not; "" where nobody must.
func AttentionWords(code string) string {
	switch code {
	case "":
		return ""
	case "refused":
		return "not written: the record refused it"
	case "unauthorised":
		return "not written: the record does not accept this service’s token"
	case "no-version":
		return "not written: the record gives no versions, so nothing can be updated safely"
	case "other-patient":
		return "the record holds the Task for another patient"
	case "copies-in-work":
		return "people work on two Tasks for this filter in the record"
	case "ended-and-approved":
		return "approved here, and ended by others in the record: settle which holds"
	case "document-superseded":
		return "the record holds a later document than this one"
	case "unreadable":
		return "not written: it could not be composed"
	case "search-incomplete":
		return "to be closed, but the record could not be searched to the end"
	}
	return "look at what was written to the record"
}
