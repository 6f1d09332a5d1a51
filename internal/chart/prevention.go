package chart

import "slices"

// saysProphylactic reports a reason for a placement that is prevention, and names no thromboembolism that has happened: then the
// filter treats that, whatever else is said of prophylaxis. A word about a drug ("failed prophylaxis", "prophylactic enoxaparin",
// "pharmacologic prophylaxis contraindicated") is about the drug.
func saysProphylactic(text string) bool {
	p := read(text)
	for i, w := range p.words {
		if slices.Contains([]string{"prophylaxis", "prophylactic", "preventive"}, w) && !p.denied(i, 1, overLists) && !p.ofDrug(i) {
			return true
		}
	}
	return p.says(overLists, "prevention of pulmonary embolism")
}

// ofDrug reports whether the word for prevention at a place is about a drug, or tells that it was of no avail. "Prophylactic
// filter, anticoagulation contraindicated" is about the filter.
func (p passage) ofDrug(at int) bool {
	drug := func(i int) bool {
		return slices.Contains([]string{"pharmacologic", "pharmacological", "pharmaceutical", "chemical", "drug", "antibiotic", "antibiotics", "anticoagulant", "anticoagulants", "anticoagulation", "heparin", "lmwh", "enoxaparin", "dalteparin", "tinzaparin", "fondaparinux", "apixaban", "rivaroxaban", "dabigatran", "edoxaban", "warfarin", "aspirin",
			"dose", "doses", "failed", "failure", "fails", "contraindicated", "despite"}, p.words[i])
	}
	in := func(w string) bool { return slices.Contains([]string{"of", "is", "was", "has", "the", "dose"}, w) }
	for i := at; i > 0 && p.stops[i] == joins; i-- {
		if drug(i - 1) {
			return true
		}
		if !in(p.words[i-1]) {
			break
		}
	}
	for i := at + 1; i < len(p.words) && p.stops[i] == joins; i++ {
		if drug(i) {
			return true
		}
		if !in(p.words[i]) {
			break
		}
	}
	return false
}

// namesVTE reports whether a reason names a thromboembolism other than as what is to be prevented or may come.
func namesVTE(text string) bool {
	p := read(text)
	for _, event := range []string{"pulmonary embolism", "pulmonary emboli", "pulmonary embolus", "pulmonary thromboembolism", "pe", "pes", "deep vein thrombosis", "deep venous thrombosis", "dvt", "dvts", "vte", "venous thromboembolism", "venous thrombosis", "thromboembolism", "thrombosis", "thrombus", "embolism", "emboli", "embolus", "clot", "clots"} {
		for i := range p.words {
			if length := p.holds(i, event); length > 0 && !p.denied(i, length, overLists) && !p.toCome(i, i+length) {
				return true
			}
		}
	}
	return false
}

// toCome reports whether an event is spoken of as one to prevent, or as a risk: "PE prophylaxis", "prophylaxis against PE".
func (p passage) toCome(at, end int) bool {
	coming := func(w string) bool {
		return slices.Contains([]string{"prophylaxis", "prophylactic", "prevention", "preventive", "prevent", "preventing", "risk", "protection"}, w)
	}
	// The event's own longer name goes on behind, or began before: "venous thromboembolism (VTE) prophylaxis".
	part := func(w string) bool {
		return slices.Contains([]string{"pe", "dvt", "vte", "pulmonary", "deep", "vein", "venous", "thrombosis", "thromboembolism", "embolism", "embolus", "emboli", "and", "or"}, w)
	}
	for i := end; i < len(p.words) && p.stops[i] != ends; i++ {
		if coming(p.words[i]) {
			return true
		}
		if !part(p.words[i]) {
			break
		}
	}
	for i := at; i > 0 && p.stops[i] != ends; i-- {
		w := p.words[i-1]
		if coming(w) {
			return true
		}
		if !part(w) && !slices.Contains([]string{"of", "against", "for", "from", "a", "the", "fatal", "massive", "perioperative", "postoperative"}, w) {
			break
		}
	}
	return false
}
