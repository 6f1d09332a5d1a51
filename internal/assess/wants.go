package assess

import (
	"slices"
	"strings"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// Wants says for every filter, and for every known key that has none any more, whether a referral should stand. It is worked out
// when it is asked for: who only shows an answer does not need it.
func (r Result) Wants() []draft.Want {
	a, d := r.Assessment, newDigest()
	var out []draft.Want
	for _, f := range a.Filters {
		out = append(out, want(d, a, f, r.policy))
	}
	for _, k := range r.known {
		if slices.ContainsFunc(a.Filters, func(f Filter) bool { return f.Key == k.Key }) {
			continue
		}
		w := draft.Want{Key: k.Key, Patient: a.Patient, Reason: draft.Retracted}
		if _, ok := a.Merged[k.Key]; ok {
			w = mergedWant(a, k.Key)
		}
		out = append(out, w)
	}
	for _, k := range r.merged {
		if slices.ContainsFunc(out, func(w draft.Want) bool { return w.Key == k.Key }) {
			continue
		}
		w := mergedWant(a, k.Key)
		if _, ok := a.Merged[k.Key]; !ok && w.Reason == draft.Merged && (len(k.Evidence) > 0 || len(a.Filters) == 0) {
			w.Reason = draft.Retracted // nothing that it stood on tells of a filter any more
		}
		out = append(out, w)
	}
	return out
}

// mergedWant ends what was asked under a key that is another's filter now. Two patients may have become one a moment ago, and
// the record may take that back when it is asked: until then both stand.
func mergedWant(a Assessment, key string) draft.Want {
	if a.Context == ContextPending {
		return draft.Want{Key: key, Patient: a.Patient, Reason: draft.NoContext}
	}
	return draft.Want{Key: key, Patient: a.Patient, Reason: draft.Merged}
}

func want(d *digest, a Assessment, f Filter, p policy.Policy) draft.Want {
	w := draft.Want{Key: f.Key, Patient: a.Patient, Reason: reason(a, f), To: draft.ToClinic, Meaning: meaning(d, &a, f), Question: question(d, &f)}
	if f.Verdict == string(rules.Clarify) {
		w.To = draft.ToCoordinator
	}
	switch {
	case f.Emergency:
		w.Priority, w.DueDays = "stat", p.DueUrgentEmergency
	case f.Verdict == string(rules.Urgent):
		w.Priority, w.DueDays = "urgent", p.DueUrgent
	case alarming(f):
		// What may hurt the patient now is not the filter: it is told soon.
		w.Priority, w.DueDays = "asap", p.DueUrgent
	case f.Overdue:
		w.Priority, w.DueDays = "asap", p.DueOverdue
	default:
		w.Priority, w.DueDays = "routine", p.DueRoutine
	}
	if (f.Verdict == string(rules.Urgent) || alarming(f)) && byOthers(f) {
		w.BasedOn = f.AskedEvidence
	}
	return w
}

// alarming reports a danger beside the filter that nobody who asked for a retrieval need know of.
func alarming(f Filter) bool {
	return f.Verdict == string(rules.Review) && slices.ContainsFunc(f.Findings, func(x Finding) bool {
		return x.Rule == "vte-untreated" || x.Rule == "caval-thrombosis" || x.Rule == "vte-treatment-unclear" || x.Rule == "anticoagulant-beside-bleed" || x.Rule == "haemoglobin-fall"
	})
}

func byOthers(f Filter) bool {
	return slices.ContainsFunc(f.Findings, func(x Finding) bool { return x.Rule == "retrieval-asked" })
}

// reason says why a filter is asked about or not. While the context is being read nothing is begun and nothing ended: a removal that
// may have been of either of two filters looks like the one's own as long as the other has not been read.
func reason(a Assessment, f Filter) draft.Reason {
	switch v := rules.Verdict(f.Verdict); {
	case a.Context == ContextPending:
		return draft.NoContext
	case v == rules.Closed && a.Person.Deceased && f.Standing != string(filter.StandingRemoved):
		return draft.Deceased
	case v == rules.Closed:
		return draft.Removed
	case v == rules.Wait || v == rules.Keep:
		return draft.NotDue
	case byOthers(f) && v != rules.Urgent && v != rules.Clarify && !alarming(f):
		return draft.AskedAlready
	}
	return draft.Wanted
}

// meaning digests what the document says: facts, verdict, findings, plan. Day, dwell, the echo of our own Task, and values that leave
// the plan as it is are not in it.
func meaning(d *digest, a *Assessment, f Filter) string {
	f.DwellDays, f.ChangesOn, f.LookAgainOn = nil, nil, nil
	if !byOthers(f) {
		f.Asked, f.AskedEvidence = "", nil
	}
	f.Courses, f.Background = nil, nil
	f.Key = ""
	f = unmeasured(f)
	d.filter(&f)
	d.person(a.Person)
	d.texts(a.Patient)
	d.flags(a.Context == ContextFeeds)
	return d.take()
}

// Complications are the rules that tell of a complication of the filter, what presses most first.
func Complications() []string {
	return []string{"haemorrhage", "displacement", "fracture", "penetration", "caval-thrombosis", "new-pe", "infection", "filter-complaint"}
}

// IsComplication reports whether a rule is one of them.
func IsComplication(rule string) bool { return slices.Contains(Complications(), rule) }

// question digests what makes a declined referral worth asking again: standing, indication, complications, attempts.
func question(d *digest, f *Filter) string {
	attempts := 0
	for _, e := range f.Events {
		if e.What == string(filter.Attempt) {
			attempts++
		}
	}
	var complications []string
	for _, x := range f.Findings {
		if IsComplication(x.Rule) {
			complications = append(complications, x.Rule+strings.Join(x.Evidence, ","))
		}
	}
	d.texts(f.Standing, f.Indication)
	d.lists(complications)
	d.number(attempts)
	d.flags(f.Verdict == string(rules.Urgent))
	return d.take()
}
