package chart

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
)

// understood reports whether the outcome of a retrieval, or the reason of its status, is absent or leaves the retrieval undoubted.
// A code without words that is not one of the three known may mean anything. What is not understood makes the service ask, because
// whoever took the trouble to fill the element beside a code of success may have had a reason.
func understood(c concept) bool {
	if len(tokens(c.words)) > 0 {
		return saysHarmless(c.words)
	}
	return !slices.ContainsFunc(c.codes, func(k coding) bool {
		return k.system != "http://snomed.info/sct" || k.code != outcomeSuccess && k.code != outcomePartial && k.code != outcomeNoSuccess
	})
}

// complications lists what went wrong in a procedure, with the entries that tell it.
func (r *reader) complications(n *node) (found []concept, refs []filter.Ref) {
	for v := range n.get("complication").Each() {
		found = append(found, r.concept(v))
	}
	for v := range n.get("complicationDetail").Each() {
		if t, ref := r.target(n, v); t != nil && t.Type == "Condition" {
			found, refs = append(found, r.concept(t.get("code"))), append(refs, ref)
		}
	}
	return found, refs
}

// ofFilter reports a complication that is a filter's own: it broke or moved, and more of it may be in than its retrieval says.
func ofFilter(c concept) bool {
	return c.in("filter-fracture") || c.in("filter-displacement") || c.in("device-embolism") ||
		read(c.words).says(overOr, "fracture", "fractured", "broke", "broken", "embolisation", "embolization", "embolised", "embolized", "migration", "migrated")
}

// saysHarmless reports words of an outcome that doubt no retrieval: each of its clauses tells a success or only how the patient
// fared.
func saysHarmless(text string) bool {
	for _, clause := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(".,;:\n", r) }) {
		words := tokens(clause)
		if len(words) > 0 && (slices.ContainsFunc(words, doubtful) || !slices.ContainsFunc(words, faredWell) && !saysSuccess(clause)) {
			return false
		}
	}
	return true
}

func saysSuccess(clause string) bool {
	return says(clause, "success", "successful", "successfully", "retrieved", "removed", "retrieval", "removal", "extracted", "explanted", "complete", "completed", "completely", "done", "performed", "finished", "toto", "intact", "whole", "entire", "entirely", "as planned", "as expected")
}

// doubtful are words that make a clause of an outcome something to ask about, whatever else it says.
func doubtful(w string) bool {
	return slices.Contains([]string{"not", "never", "unable", "impossible", "cannot", "postponed", "deferred", "refused", "declined", "stuck", "repeat", "repeated", "reattempt", "rescheduled", "rebooked", "pending", "only", "later", "embolised", "embolized", "migrated", "fractured", "fracture"}, w)
}

// faredWell are words of how the patient fared, also where they are denied: "no complications".
func faredWell(w string) bool {
	return slices.Contains([]string{"good", "well", "fine", "excellent", "satisfactory", "ok", "okay", "stable", "unremarkable", "uneventful", "uneventfully", "uncomplicated", "routine", "normal", "tolerated", "improved", "recovered", "resolved", "alive",
		"complication", "complications", "event", "events", "problem", "problems", "issues", "none", "nil", "na", "bleeding", "blood", "haematoma", "hematoma", "haemostasis", "hemostasis", "pain", "patent", "home", "discharged", "recovery", "ward"}, w)
}
