package chart

import (
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// reasons reads why the filter was placed and whether it was meant to stay.
func (r *reader) reasons(n *node, code concept) {
	words := code.words
	var reasons []rules.Reason
	thrombosis := false
	for v := range n.get("reasonCode").Each() {
		c := r.concept(v)
		words += " . " + c.words
		reason := rules.Reason{Of: n.ref(), Prophylactic: c.in("prophylactic-reason") || saysProphylactic(c.words), Evidence: n.evidence()}
		reason.VTE, reason.Label = eventOf(c), c.label()
		thrombosis = thrombosis || reason.VTE != "" || namesVTE(c.words)
		reasons = append(reasons, reason)
	}
	for v := range n.get("reasonReference").Each() {
		thrombosis = thrombosis || namesVTE(v.Get("display").String())
		if t, ref := r.target(n, v); t != nil && t.Type == "Condition" {
			reason := rules.Reason{Of: n.ref(), Condition: ref, Evidence: []filter.Ref{n.ref(), ref}}
			if strings.Contains(ref, "#") && !t.coded("verificationStatus", "refuted", "entered-in-error") { // no entry of its own tells of it
				c := r.concept(t.get("code"))
				reason = rules.Reason{Of: n.ref(), VTE: eventOf(c), Label: c.label(), Evidence: n.evidence()}
				thrombosis = thrombosis || reason.VTE != ""
			}
			reasons = append(reasons, reason)
		}
	}
	for _, reason := range reasons {
		// A thromboembolism among the reasons makes none of them prevention.
		reason.Prophylactic = reason.Prophylactic && !thrombosis
		if reason.Prophylactic {
			r.departures()
		}
		r.out.Facts.Reasons = append(r.out.Facts.Reasons, reason)
	}
	words += " . " + r.notes(n)
	if saysPermanent(words) {
		made, _ := r.performed(n)
		r.out.Facts.Plans = append(r.out.Facts.Plans, rules.Plan{Permanent: true, Of: n.ref(), Made: made, Evidence: n.evidence()})
	}
}

// eventOf gives the thromboembolism that a code names; words alone name none, as in a Condition.
func eventOf(c concept) rules.Class {
	for _, set := range [...]string{"pe-acute", "dvt-acute", "caval-thrombosis-acute"} {
		if c.in(set) {
			return meaningOf(set).class
		}
	}
	return ""
}

// departures lists the stays that ended in death or hospice care: their end says nothing of a risk that has passed.
// http://hl7.org/fhir/R4/valueset-encounter-discharge-disposition.html
func (r *reader) departures() {
	if len(r.out.Facts.Departures) > 0 {
		return
	}
	for _, n := range r.nodes {
		if n.Type != "Encounter" {
			continue
		}
		c := r.concept(n.get("hospitalization.dischargeDisposition"))
		if c.in("discharge-death-hospice") || says(c.words, "expired", "died", "dead", "death", "deceased", "hospice", "palliative") {
			r.out.Facts.Departures = append(r.out.Facts.Departures, n.ref())
		}
	}
}
