package chart

import (
	"strings"

	"dwellwatch/internal/filter"
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
	for set, what := range map[string]string{"lab-platelets": "platelets", "lab-inr": "inr", "lab-haemoglobin": "haemoglobin", "lab-creatinine": "creatinine", "body-weight": "weight"} {
		q := n.get("valueQuantity")
		if !code.in(set) || !q.Get("value").Exists() {
			continue
		}
		unit := q.Get("code").String()
		if unit == "" {
			unit = q.Get("unit").String()
		}
		factor, ok := factorOf(what, strings.ToLower(strings.TrimSpace(unit)))
		if !ok {
			r.unread(n, "valueQuantity", "not in a unit that is known for this measurement; the value is not used")
			return
		}
		day, _ := r.day(n, "effectiveDateTime")
		if !day.Known() {
			day, _, _ = r.period(n, "effectivePeriod")
		}
		if !day.Known() {
			day, _ = r.day(n, "issued")
		}
		r.out.Facts.Labs = append(r.out.Facts.Labs, rules.Lab{What: what, Value: q.Get("value").Float() * factor, Day: day, Evidence: []filter.Ref{n.name}})
		return
	}
}

// factorOf gives what to multiply by: platelets in 10^9/L, INR as a ratio, haemoglobin in g/dL, creatinine in mg/dL
// (88.42 umol/L to 1 mg/dL), weight in kg.
func factorOf(what, unit string) (float64, bool) {
	f, ok := map[string]map[string]float64{
		"platelets":   {"10*3/ul": 1, "10*9/l": 1, "10^9/l": 1, "10^3/ul": 1, "k/ul": 1, "thousand/ul": 1, "/ul": 0.001, "10*3/mm3": 1},
		"inr":         {"{inr}": 1, "1": 1, "": 1, "inr": 1, "{ratio}": 1, "ratio": 1},
		"haemoglobin": {"g/dl": 1, "g/l": 0.1, "mmol/l": 1.611},
		"creatinine":  {"mg/dl": 1, "umol/l": 1 / 88.42},
		"weight":      {"kg": 1, "g": 0.001, "[lb_av]": 0.45359237, "lb": 0.45359237, "lbs": 0.45359237},
	}[what][unit]
	return f, ok
}
