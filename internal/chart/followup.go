package chart

import (
	"slices"
	"strconv"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// communication reads an attempt to reach the patient: completed where somebody was reached, not-done where nobody was.
// http://hl7.org/fhir/R4/valueset-event-status.html
func (r *reader) communication(n *node) {
	status := n.status()
	if status != "completed" && status != "not-done" {
		return
	}
	ours := false
	for _, c := range n.get("category").Array() {
		ours = ours || entryCode(c, CodeContact)
	}
	if !ours {
		return
	}
	c := rules.Contact{Reached: status == "completed", How: n.get("medium.0.text").String(), Evidence: []filter.Ref{n.name}}
	if c.When, _ = r.day(n, "sent"); !c.When.Known() {
		c.When = r.written(n)
	}
	if !c.Reached {
		c.Why = n.get("statusReason.text").String()
	}
	r.out.Facts.Contacts = append(r.out.Facts.Contacts, c)
}

// impression reads a clinician's re-assessment of whether the filter is still needed.
func (r *reader) impression(n *node) {
	if n.status() != "completed" || !entryCode(n.get("code"), CodeReassessment) {
		return
	}
	a := rules.Reassessment{Until: filter.Unknown(), Evidence: []filter.Ref{n.name}}
	if a.When, _ = r.day(n, "effectiveDateTime"); !a.When.Known() {
		a.When, _ = r.day(n, "date")
	}
	for _, v := range n.get("supportingInfo").Array() {
		if _, ref := r.target(n, v); ref != "" {
			a.Of = append(a.Of, ref)
		}
	}
	for i, e := range n.get("extension").Array() {
		if e.Get("url").String() == LookAgainExtension {
			a.Until, _ = r.day(n, "extension."+strconv.Itoa(i)+".valueDate")
		}
	}
	stays := false
	for _, f := range n.get("finding").Array() {
		said := f.Get("itemCodeableConcept")
		a.StillNeeded = a.StillNeeded || entryCode(said, CodeStillNeeded)
		a.NoLongerNeeded = a.NoLongerNeeded || entryCode(said, CodeNoLongerNeeded)
		stays = stays || entryCode(said, CodeStays)
	}
	if stays {
		p := rules.Plan{Permanent: true, Made: a.When, Evidence: a.Evidence}
		if len(a.Of) > 0 {
			p.Of = a.Of[0]
		}
		r.out.Facts.Plans = append(r.out.Facts.Plans, p)
		return
	}
	if a.StillNeeded != a.NoLongerNeeded {
		r.out.Facts.Reassessments = append(r.out.Facts.Reassessments, a)
	}
}

// notDone reads a retrieval that was to be and was not tried.
func (r *reader) notDone(n *node) {
	code := r.concept(n.get("code"))
	if !code.in("filter-removal") {
		return
	}
	when, _ := r.performed(n)
	if !when.Known() {
		when = r.written(n)
	}
	r.out.Facts.NotAttempted = append(r.out.Facts.NotAttempted, rules.NotAttempted{When: when, Why: n.get("statusReason.text").String(), Evidence: []filter.Ref{n.name}})
}

// stay notes that the patient is in hospital and has not been discharged.
func (r *reader) stay(n *node) {
	if n.status() != "in-progress" || !inpatientClass(n) {
		return
	}
	start, end, _ := r.period(n, "period")
	if !end.Known() {
		r.out.Facts.Stays = append(r.out.Facts.Stays, rules.Dated{When: start, Evidence: []filter.Ref{n.name}})
	}
}

// reachable reports whether a Patient names any way to reach the patient: a telephone, mail or postal address.
func reachable(n *node) bool {
	for _, t := range n.get("telecom").Array() {
		if t.Get("value").String() != "" && t.Get("use").String() != "old" && slices.Contains([]string{"phone", "sms", "email", "other", ""}, t.Get("system").String()) {
			return true
		}
	}
	for _, a := range n.get("address").Array() {
		if a.Get("use").String() != "old" && (a.Get("text").String() != "" || len(a.Get("line").Array()) > 0) {
			return true
		}
	}
	return false
}
