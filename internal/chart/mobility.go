package chart

import "dwellwatch/internal/rules"

// mobileByCondition reads a problem entry that says by a code of the value set mobility-regained, which a site extends, or by
// a listed phrase that the patient moves again or that the risk has passed.
func (r *reader) mobileByCondition(n *node, code concept) {
	if !code.in("mobility-regained") && !saysMobile(code.words) {
		return
	}
	if n.coded("clinicalStatus", "resolved", "inactive", "remission") {
		return
	}
	b := r.onset(n)
	d := rules.Diagnosis{Onset: b.onset, Recorded: b.recorded}
	r.out.Facts.Mobility = append(r.out.Facts.Mobility, rules.Dated{When: d.Day(), Made: b.recorded, Evidence: n.evidence()})
}

// mobileByObservation reads an observation whose value says so. Its own code says so only where it has no value, or one
// that is true: "walks independently: no" is heard as what it says.
func (r *reader) mobileByObservation(n *node, code concept) {
	asked := code.in("mobility-regained") || saysMobile(code.words)
	coded, text := n.get("valueCodeableConcept"), n.get("valueString")
	if !asked && !coded.Exists() && !text.Exists() {
		return
	}
	value := r.concept(coded)
	if !value.in("mobility-regained") && !saysMobile(value.words+" . "+text.String()) {
		bare := !coded.Exists() && !text.Exists() && !n.get("valueQuantity").Exists() && !n.get("valueInteger").Exists() && !n.get("valueBoolean").Exists() && !n.get("dataAbsentReason").Exists()
		if !asked || !bare && !n.get("valueBoolean").Bool() {
			return
		}
	}
	day, _ := r.day(n, "effectiveDateTime")
	if !day.Known() {
		day, _, _ = r.period(n, "effectivePeriod")
	}
	if !day.Known() {
		day, _ = r.day(n, "issued")
	}
	r.out.Facts.Mobility = append(r.out.Facts.Mobility, rules.Dated{When: day, Made: day, Evidence: n.evidence()})
}
