package cdshooks

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/cards"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
)

// visit is one call on its way to an assessment.
type visit struct {
	*Service
	request
	feed     string // "" where the client's FHIR server is none that is known
	screener screen.Screener
	on       filter.Day
	brought  []fhir.Resource // what the call brought about the patient
	signing  cards.Signing   // of order-sign
	slots    []fhir.Resource // of appointment-book, as they stand once booked
}

func (s *Service) visit(r request) *visit {
	v := &visit{Service: s, request: r, feed: s.feed(r.server), screener: s.Screener, on: s.today()}
	if v.feed == "" {
		// An id of another server is nobody here, and its own addresses are local to it.
		v.screener.Bases = map[string]string{"": r.server}
	}
	v.brought = v.own(r.sent.resources)
	v.sent = v.tied()
	switch r.hook {
	case cards.OrderSign:
		v.signing = cards.Sign(v.meant(r.orders), v.on)
	case cards.AppointmentBook:
		v.slots = cards.Slots(v.meant(r.booked))
	}
	return v
}

// own leaves only what is about the patient of the call, and what such entries name that has no patient of its own. A client
// that sends another patient's entries must not have them counted here.
func (v *visit) own(resources []fhir.Resource) []fhir.Resource {
	var out, loose []fhir.Resource
	var refs []string
	for _, r := range resources {
		if !chart.Reads(r.Type) {
			continue
		}
		switch n := screen.Name(r, v.screener.Bases[v.feed]); n.Patient {
		case v.patient:
			out, refs = append(out, r), append(refs, n.Refs...)
		case "":
			loose = append(loose, r)
		}
	}
	for i := 0; i < len(refs) && len(loose) > 0; i++ {
		loose = slices.DeleteFunc(loose, func(r fhir.Resource) bool {
			named := refs[i] == r.Ref()
			if named {
				out, refs = append(out, r), append(refs, screen.Name(r, v.screener.Bases[v.feed]).Refs...)
			}
			return named
		})
	}
	return out
}

// tied gives what was sent with the keys that hold entries of other patients for what they are: without one of the visit's patient
// the lookup went wrong, and beside some it is at best a part.
func (v *visit) tied() prefetched {
	out := prefetched{states: maps.Clone(v.sent.states), resources: v.sent.resources, keys: v.sent.keys}
	mine := map[string]bool{}
	for _, r := range v.brought {
		mine[r.Ref()] = true
	}
	for key, resources := range v.sent.keys {
		some, strange, others := false, false, false
		for _, r := range resources {
			switch {
			case mine[r.Ref()]:
				some = true
			case chart.Reads(r.Type):
				patient := screen.Whose(r, v.screener.Bases[v.feed]).Patient
				strange, others = true, others || patient != "" && patient != v.patient
			}
		}
		switch {
		case strange && !some:
			out.states[key] = failed
		case others && v.sent.whole(key):
			out.states[key] = part
		}
	}
	return out
}

// meant leaves out what names another patient. What is about to be signed or booked is the patient's of the call, also where it
// does not name one yet.
func (v *visit) meant(resources []fhir.Resource) []fhir.Resource {
	var out []fhir.Resource
	for _, r := range resources {
		if patient := screen.Name(r, v.screener.Bases[v.feed]).Patient; patient == v.patient || patient == "" {
			out = append(out, r)
		}
	}
	return out
}

// moment tells what the call is for, so that the next orders, slot or discharge is another moment, and the same ones asked about
// again are not. What has no id of its own is told apart by the call alone.
func (v *visit) moment() string {
	about := v.orders
	switch v.hook {
	case cards.PatientView:
		return ""
	case cards.EncounterDischarge:
		return cmp.Or(v.stay, v.instance)
	case cards.AppointmentBook:
		about = v.booked
	}
	var out []string
	for _, r := range v.meant(about) {
		if r.Type != "MedicationRequest" && r.Type != "Appointment" {
			continue
		}
		out = append(out, cards.Fingerprint(r))
		if unnamed(r) {
			out = append(out, v.instance)
		}
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), "\n")
}

func (v *visit) entries(resources []fhir.Resource) []chart.Entry {
	out := make([]chart.Entry, 0, len(resources))
	for _, r := range resources {
		out = append(out, v.screener.Entry(v.feed, r))
	}
	return out
}

// concerns reports whether the call can be about what this service answers, whoever the patient is: orders with a medication, a
// slot that may be booked. What it then is for is read beside the chart.
func (v *visit) concerns() bool {
	switch v.hook {
	case cards.OrderSign:
		return slices.ContainsFunc(v.signing.After, func(r fhir.Resource) bool { return r.Type == "MedicationRequest" })
	case cards.AppointmentBook:
		return len(v.slots) > 0
	}
	return true
}

// input gathers what a card is made from, for a followed patient or for somebody else; false where the call turns out to be about
// no anticoagulant, or no retrieval.
func (v *visit) input(ctx context.Context) (cards.Input, bool, error) {
	if v.feed == "" {
		return v.unknown(ctx, false)
	}
	known, err := v.Known(ctx, v.feed, v.patient, v.on, v.brought)
	switch {
	case errors.Is(err, fault.NotFound):
		return v.unknown(ctx, true)
	case err != nil:
		return cards.Input{}, false, err
	}
	in := cards.Input{Hook: v.hook, AsOf: v.on, Moment: v.moment(), Known: true, Referrals: known.Referrals}
	if known.Saved != nil && known.Same && (v.hook == cards.PatientView || v.hook == cards.EncounterDischarge) {
		in.Now = *known.Saved
		return in, true, v.equip(ctx, &in, known)
	}
	rec, err := v.Record(ctx, known.Person)
	switch {
	case errors.Is(err, fault.NotFound): // erased since
		return v.unknown(ctx, true)
	case err != nil:
		return cards.Input{}, false, err
	case v.other(rec.Entries):
		// The id is the same and the person is not: nothing of the one may be told of the other.
		v.Log.Warn("a patient of a prompt was born on another day than the one who is followed under the same id", "feed", v.feed)
		return v.unknown(ctx, false)
	}
	rec.Entries = slices.Concat(rec.Entries, v.entries(whole(v.brought)))
	result, concerns := v.assess(&in, rec)
	if !concerns {
		return in, false, nil
	}
	in.Referrals = v.Reconcile(known.Referrals, result, v.on)
	return in, true, v.equip(ctx, &in, known)
}

// unknown looks at what the call brought alone. Where that tells of a filter, follow hands it on, so that the patient is followed.
func (v *visit) unknown(ctx context.Context, follow bool) (cards.Input, bool, error) {
	in := cards.Input{Hook: v.hook, AsOf: v.on, Moment: v.moment(), Unsent: v.sent.unsent()}
	if _, concerns := v.assess(&in, assess.Record{Entries: v.entries(v.brought), Context: assess.ContextInput}); !concerns {
		return in, false, nil
	}
	if follow {
		v.handOn(ctx)
	}
	if len(in.Now.Filters) == 0 {
		return in, false, v.lacking()
	}
	return in, true, nil
}

// handOn gives what the call brought to the door of its feed where it tells of a filter. It only ever adds entries of the visit's
// patient, and what they name: all else is the record's own to send, or to be read from it.
func (v *visit) handOn(ctx context.Context) {
	var items []screen.Item
	for _, r := range whole(v.brought) {
		it := v.screener.Item(v.feed, r)
		it.New = true
		// Whom the record has merged, and what it took back, is the record's to tell.
		if !it.Retracted && len(it.Links) == 0 && (it.Patient == v.patient || it.Patient == "") {
			items = append(items, it)
		}
	}
	if !slices.ContainsFunc(items, func(it screen.Item) bool { return it.Evidence }) {
		return
	}
	if err := v.Follow(ctx, items); err != nil {
		// The clinician is answered all the same; the next call tries again.
		v.Log.Error("a patient could not be followed", "feed", v.feed, "kind", kind(err))
	}
}

// whole leaves out what a server cut down to some elements: it is not what the record holds.
// http://hl7.org/fhir/R4/valueset-common-tags.html
func whole(resources []fhir.Resource) []fhir.Resource {
	return slices.DeleteFunc(slices.Clone(resources), func(r fhir.Resource) bool { return bytes.Contains(r.Raw, []byte(`"SUBSETTED"`)) })
}

// lacking is the error of a call that shows no filter and does not prove that there is none on record either; nil where it does.
// Devices or procedures must have come as a whole, and no lookup of the two may have failed.
func (v *visit) lacking() error {
	var issues []fhir.Issue
	for _, key := range []string{keyDevices, keyProcedures} {
		text := map[state]string{absent: "this was not sent", part: "this is a part of what the record holds", failed: "this could not be looked up"}[v.sent.state(key)]
		if text != "" {
			issues = append(issues, fhir.Issue{Severity: "error", Code: "incomplete", Expression: "prefetch." + key,
				Text: text + ", the patient is not followed here, and so nothing can be said of a filter"})
		}
	}
	missed := len(issues) > 0
	if v.feed == "" {
		issues = append(issues, fhir.Issue{Severity: "information", Code: "informational", Expression: "fhirServer", Text: "this is none of the servers whose patients are followed here"})
	}
	other := func(a, b string) bool { return v.sent.whole(a) && v.sent.state(b) == absent }
	if !missed || other(keyDevices, keyProcedures) || other(keyProcedures, keyDevices) {
		return nil
	}
	return &problem{http.StatusPreconditionFailed, issues}
}

// assess judges the record, and of order-sign the record with the orders signed; false where the call is about no anticoagulant, or
// no retrieval.
func (v *visit) assess(in *cards.Input, rec assess.Record) (assess.Result, bool) {
	stored := rec.Entries
	switch v.hook {
	case cards.AppointmentBook:
		if !v.retrieval(stored) {
			return assess.Result{}, false
		}
	case cards.OrderSign:
		if !v.anticoagulates(stored) {
			return assess.Result{}, false
		}
		rec.Entries = v.before(stored)
	}
	now := assess.Patient(rec, v.Basis, v.on)
	in.Now = now.Assessment
	if v.hook == cards.OrderSign {
		rec.Entries = v.after(stored)
		in.Signed = assess.Patient(rec, v.Basis, v.on).Assessment
	}
	return now, true
}

// before is the chart until the orders are signed: an order that is stopped ran until now, also where the chart never heard of it.
func (v *visit) before(stored []chart.Entry) []chart.Entry {
	out := slices.Clone(stored)
	for _, e := range v.entries(v.signing.Before) {
		if !slices.ContainsFunc(stored, func(s chart.Entry) bool { return same(s, e) }) {
			out = append(out, e)
		}
	}
	return out
}

// after is the chart once the orders are signed.
func (v *visit) after(stored []chart.Entry) []chart.Entry {
	signed := v.entries(v.signing.After)
	out := slices.DeleteFunc(slices.Clone(stored), func(s chart.Entry) bool {
		return slices.ContainsFunc(signed, func(e chart.Entry) bool { return same(s, e) }) || s.Feed == v.feed && slices.Contains(v.signing.Ends, s.Ref())
	})
	return append(out, signed...)
}

func same(a, b chart.Entry) bool { return a.Feed == b.Feed && a.Type == b.Type && a.ID == b.ID }

// retrieval reports whether one of the slots is for the retrieval of a filter, by its own words and codes or those of the request
// that it is based on.
func (v *visit) retrieval(stored []chart.Entry) bool {
	slots := v.entries(v.slots)
	for _, e := range stored {
		if e.Type == "ServiceRequest" {
			slots = append(slots, e)
		}
	}
	facts := chart.Read(slots, v.Basis.Sets, v.Basis.Models, v.Basis.Zone).Facts
	for _, o := range facts.Orders {
		if o.Booked {
			return true
		}
	}
	return false
}

// anticoagulates reports whether one of the orders is for an anticoagulant.
func (v *visit) anticoagulates(stored []chart.Entry) bool {
	orders := slices.Concat(v.entries(v.signing.After), v.entries(v.signing.Before))
	for i := range orders {
		if i >= len(v.signing.After) {
			orders[i].ID += ".before" // beside its copy
		}
	}
	for _, e := range stored {
		if e.Type == "Medication" {
			orders = append(orders, e)
		}
	}
	return len(chart.Read(orders, v.Basis.Sets, v.Basis.Models, v.Basis.Zone).Facts.Courses) > 0
}

// other reports whether the call's Patient cannot be the one whom the chart has under the same id: born on another day.
func (v *visit) other(stored []chart.Entry) bool {
	for _, r := range v.brought {
		if r.Type != "Patient" {
			continue
		}
		for _, e := range stored {
			if e.Feed == v.feed && e.Ref() == r.Ref() {
				here, there := born(e.Raw), born(r.Raw)
				return here != "" && there != "" && here != there
			}
		}
	}
	return false
}

func born(patient []byte) string {
	var p struct {
		BirthDate string `json:"birthDate"`
	}
	if json.Unmarshal(patient, &p) != nil {
		return ""
	}
	return p.BirthDate
}

// equip adds what only a followed patient's card can have: the filter's page, and a draft Task where no request and no Task stands.
func (v *visit) equip(ctx context.Context, in *cards.Input, known Known) error {
	in.Pages, in.Tasks = map[string]string{}, map[string]json.RawMessage{}
	for _, f := range in.Now.Filters {
		page, err := v.Page(ctx, f.Key)
		if err != nil {
			return err
		}
		if page != "" {
			in.Pages[f.Key] = page
		}
		at := slices.IndexFunc(in.Referrals, func(r draft.Referral) bool { return r.Key == f.Key })
		if at < 0 || v.feed != defaultFeed || !mayDraft(f, in.Referrals[at], known.Written, v.on) {
			continue
		}
		one := in.Now
		one.Filters = []assess.Filter{f}
		task, err := v.Task(one, in.Referrals[at])
		if err != nil {
			return err
		}
		in.Tasks[f.Key] = task
	}
	return nil
}

// mayDraft reports whether a card may offer the draft Task of a referral: it is wanted, nobody has decided on it, and neither a
// request of anybody nor a Task of ours is in the record. It has the identifiers of the Task that the service writes itself, so
// that the one is known for the other.
func mayDraft(f assess.Filter, r draft.Referral, written []string, on filter.Day) bool {
	return f.Asked == "none" && r.Round > 0 && r.Reason == draft.Wanted && r.EndedOn == 0 && !r.Approved && r.Until <= on && !slices.Contains(written, f.Key)
}
