package cards

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// Hook is the moment at which the record asks.
type Hook string

const (
	PatientView        Hook = "patient-view"
	EncounterDischarge Hook = "encounter-discharge"
	OrderSign          Hook = "order-sign"
	AppointmentBook    Hook = "appointment-book"
)

// Hooks lists the hooks that are answered.
func Hooks() []Hook { return []Hook{PatientView, EncounterDischarge, OrderSign, AppointmentBook} }

// Input is what a card is made from.
type Input struct {
	Hook Hook
	AsOf filter.Day
	// Moment tells what the hook was called for: the orders, the slots, the stay that ends; "" when a chart is opened. Who has put a
	// card aside at one moment is told at the next.
	Moment string
	// Now is the patient as known when the hook fired; of order-sign, before the orders are signed.
	Now assess.Assessment
	// Signed is, of order-sign, the patient once the orders are signed.
	Signed assess.Assessment
	// Known says that the patient is followed; what is said of others stands on this call alone.
	Known bool
	// Referrals are what we have asked for the patient's filters.
	Referrals []draft.Referral
	// Tasks gives, by the filter's key, the draft Task that may be offered; only where no request and no Task stands.
	Tasks map[string]json.RawMessage
	// Pages gives the absolute address of a filter's page by its key.
	Pages map[string]string
	// Unsent names the parts of the record that were not sent, or not wholly, with this call.
	Unsent []string
}

// Offer is a card that could be shown, with what decides whether it was shown before.
type Offer struct {
	Kind     Kind
	Occasion string
	Rank     int
	// Matter tells offers of one occasion, filter and rank apart where each deserves to be told; "" where any other will do.
	Matter string
	// Once says that a clinician is told of the matter once in the quiet period, and not while something that presses more about the
	// filter was told in it. Otherwise the card comes at every call, until its clinician overrides it.
	Once bool
	Key  string // of the filter
	Card Card   // without uuid
}

// Of gives the cards that the hook could show, at most one for each filter, the one that presses most first. One of them is shown: the
// first that its clinician was not told already.
func Of(in Input) []Offer {
	var out []Offer
	for i, f := range in.now().Filters {
		if o, ok := in.offer(i, f); ok {
			out = append(out, o)
		}
	}
	slices.SortStableFunc(out, func(a, b Offer) int { return b.Rank - a.Rank })
	return out
}

// now is the assessment that the card speaks of.
func (in Input) now() assess.Assessment {
	if in.Hook == OrderSign {
		return in.Signed
	}
	return in.Now
}

func (in Input) offer(i int, f assess.Filter) (Offer, bool) {
	switch in.Hook {
	case PatientView:
		return in.atChart(f)
	case EncounterDischarge:
		return in.atDischarge(f)
	case OrderSign:
		return in.atSigning(i, f)
	case AppointmentBook:
		return in.atBooking(f)
	}
	return Offer{}, false
}

// atChart: only urgent, overdue with nobody asked, or clarify; never review, and in hospice or palliative care nothing but urgent.
func (in Input) atChart(f assess.Filter) (Offer, bool) {
	switch {
	case f.Verdict == "urgent":
		return in.made(Urgent, pressing(f), f), true
	case says(f, "life-expectancy-limited"), in.putOff(f):
		return Offer{}, false
	case f.Overdue && in.unasked(f):
		return in.made(Overdue, 2, f), true
	case f.Verdict == "clarify" && f.Asked != "booked" && f.Asked != "requested":
		return in.made(Clarify, 1, f), true
	}
	return Offer{}, false
}

// atDischarge: discharge is where patients are lost, so any filter in place that is not to stay, that nobody was asked about and
// that has no dated plan.
func (in Input) atDischarge(f assess.Filter) (Offer, bool) {
	if f.Standing != string(filter.StandingInPlace) || f.Verdict == "closed" || permanent(f) || !in.unasked(f) {
		return Offer{}, false
	}
	if f.Verdict == "urgent" {
		return in.made(Urgent, pressing(f), f), true
	}
	return in.made(Discharge, 2, f), !in.putOff(f)
}

// atSigning compares what was prescribed before with what is prescribed once the orders are signed.
func (in Input) atSigning(i int, f assess.Filter) (Offer, bool) {
	if f.Verdict == "closed" || len(in.Now.Filters) != len(in.Signed.Filters) {
		return Offer{}, false
	}
	before, after := in.Now.Filters[i].Anticoagulation.Level, f.Anticoagulation.Level
	here := f.Standing == string(filter.StandingInPlace)
	switch {
	case treats(before) && !treats(after) && f.Standing != string(filter.StandingRemoved):
		return in.made(Stopped, 2, f), true
	case !treats(before) && treats(after) && here && !permanent(f) && !says(f, "life-expectancy-limited") && in.unasked(f) && !in.putOff(f):
		return in.made(Started, 1, f), true
	}
	return Offer{}, false
}

// treats reports a level that is, or may be, a treatment; a low dose after the treatment is part of it.
func treats(level string) bool {
	return level == "therapeutic" || level == "indeterminate" || level == "reduced"
}

// atBooking: what the plan still misses. The caller has seen that the slot is for a retrieval.
func (in Input) atBooking(f assess.Filter) (Offer, bool) {
	if f.Verdict == "closed" {
		return Offer{}, false
	}
	rank := 1
	if f.Standing == string(filter.StandingInPlace) {
		rank = 2
	}
	return in.made(Booked, rank, f), true
}

// unasked reports that nobody was asked for the retrieval: a draft of ours that nobody took up or approved asks nobody.
func (in Input) unasked(f assess.Filter) bool {
	r := in.referral(f)
	return (f.Asked == "none" || f.Asked == "drafted") && !r.Approved
}

// putOff reports that a person has named a day on which to return to it.
func (in Input) putOff(f assess.Filter) bool {
	r := in.referral(f)
	return (r.Reason == draft.Wanted || r.Reason == draft.Declined) && in.AsOf < r.Until
}

// referral gives what we have asked for the filter; the zero Referral where nothing.
func (in Input) referral(f assess.Filter) draft.Referral {
	if at := slices.IndexFunc(in.Referrals, func(r draft.Referral) bool { return r.Key == f.Key }); at >= 0 {
		return in.Referrals[at]
	}
	return draft.Referral{}
}

func permanent(f assess.Filter) bool {
	return f.Model.Intent == "permanent" && f.PlannedIntent != "retrieve" || f.PlannedIntent == "permanent"
}

func says(f assess.Filter, rule string) bool {
	return slices.ContainsFunc(f.Findings, func(x assess.Finding) bool { return x.Rule == rule })
}

// pressing is the rank of an urgent filter: an emergency outranks all else that is urgent.
func pressing(f assess.Filter) int {
	if f.Emergency {
		return 4
	}
	return 3
}

// made is the offer of a kind for a filter. An emergency has no quiet period: who was told of it once and opens the chart again is told
// again.
func (in Input) made(k Kind, rank int, f assess.Filter) Offer {
	o := Offer{Kind: k, Occasion: string(in.Hook), Rank: rank, Matter: in.Moment, Key: f.Key, Card: in.card(k, f)}
	o.Once = in.Hook == PatientView && (k != Urgent || !f.Emergency)
	if k == Urgent {
		// Each complication is told, whoever was told of another.
		o.Matter = strings.Join(append([]string{in.Moment}, troubles(f)...), "\n")
	}
	return o
}

// troubles tells the complications of a filter, so that another one, one of another day, or one that has become an emergency, is another
// list.
func troubles(f assess.Filter) []string {
	var out []string
	for _, x := range f.Findings {
		if assess.IsComplication(x.Rule) {
			evidence := slices.Sorted(slices.Values(x.Evidence))
			out = append(out, x.Rule+" "+strconv.Quote(x.Text)+" "+strings.Join(evidence, " "))
		}
	}
	slices.Sort(out)
	return append(out, "emergency "+strconv.FormatBool(f.Emergency))
}
