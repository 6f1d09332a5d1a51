package chart

import (
	"slices"
	"strings"

	"dwellwatch/internal/rules"
)

// observation reads the few measured values that the rules use, in the unit the rules use; a value in a unit that is not
// known is named in Unread and not used.
func (r *reader) observation(n *node) {
	if !said(n.status()) {
		return
	}
	code := r.concept(n.get("code"))
	r.mobileByObservation(n, code)
	r.seenBy(n, code)
	r.signs(n, code)
	for _, set := range code.sets {
		what := measured(set)
		if what == "" {
			continue
		}
		q := n.get("valueQuantity")
		value := q.Get("value")
		if !value.Exists() {
			continue
		}
		unit := q.Get("code").String()
		if unit == "" {
			unit = q.Get("unit").String()
		}
		factor, ok := factorOf(what, strings.TrimSpace(unit))
		if !ok {
			r.unread(n, "valueQuantity", "not in a unit that is known for this measurement; the value is not used")
			return
		}
		amount := value.Float() * factor
		if !plausible(what, amount) {
			r.unread(n, "valueQuantity", "outside of what this measurement can be; the value is not used")
			return
		}
		form := rules.Exactly
		if c := q.Get("comparator"); c.Exists() {
			form = rules.Form(c.String())
			if !slices.Contains([]rules.Form{rules.Above, rules.AtLeast, rules.Below, rules.AtMost}, form) {
				r.unread(n, "valueQuantity", "told with a comparator that is not known; the value is not used")
				return
			}
			if what == "weight" || what == "creatinine" {
				r.unread(n, "valueQuantity", "told by a limit, with which nothing can be estimated; the value is not used")
			}
		}
		day, _ := r.day(n, "effectiveDateTime")
		if !day.Known() {
			day, _, _ = r.period(n, "effectivePeriod")
		}
		if !day.Known() {
			day, _ = r.day(n, "issued")
		}
		if r.out.Facts.Labs == nil {
			r.out.Facts.Labs = slices.Grow(r.labs, len(r.nodes))
		}
		r.out.Facts.Labs = append(r.out.Facts.Labs, rules.Lab{What: what, Value: amount, Form: form, Day: day, Evidence: n.evidence()})
		return
	}
}

// plausible reports whether a value can be one of a person. The bounds are a choice, without a source: wide enough for what is
// measured, and narrow enough for a wrong unit or a slipped decimal point to show.
func plausible(what string, value float64) bool {
	switch what {
	case "weight": // kg
		return value >= 1 && value <= 500
	case "creatinine", "inr", "haemoglobin": // mg/dL; ratio; g/dL
		return value > 0 && value <= 30
	case "platelets": // 10^9/L
		return value >= 0 && value <= 10000
	}
	return true
}

// measured gives what a set of codes measures; "" for any other set.
func measured(set string) string {
	switch set {
	case "lab-platelets":
		return "platelets"
	case "lab-inr":
		return "inr"
	case "lab-haemoglobin":
		return "haemoglobin"
	case "lab-creatinine":
		return "creatinine"
	case "body-weight":
		return "weight"
	}
	return ""
}

// factorOf gives what to multiply by: platelets in 10^9/L, INR as a ratio, haemoglobin in g/dL, creatinine in mg/dL
// (88.42 umol/L to 1 mg/dL), weight in kg.
func factorOf(what, unit string) (float64, bool) {
	var room [48]byte // enough for every unit that is known, so that asking needs no memory
	switch key := appendLower(append(append(room[:0], what...), ' '), []byte(unit)); string(key) {
	case "platelets 10*3/ul", "platelets 10*9/l", "platelets 10^9/l", "platelets 10^3/ul", "platelets k/ul", "platelets thousand/ul", "platelets 10*3/mm3",
		"inr {inr}", "inr 1", "inr ", "inr inr", "inr {ratio}", "inr ratio", "haemoglobin g/dl", "creatinine mg/dl", "weight kg":
		return 1, true
	case "platelets /ul", "weight g":
		return 0.001, true
	case "haemoglobin g/l":
		return 0.1, true
	case "haemoglobin mmol/l":
		return 1.611, true
	case "creatinine umol/l":
		return 1 / 88.42, true
	case "weight [lb_av]", "weight lb", "weight lbs":
		return 0.45359237, true
	}
	return 0, false
}
