package chart

import (
	"slices"
	"strings"
)

// action is what words alone say was done to a filter.
type action int

const (
	noAction action = iota
	placementFailed
	placed
	repositioned
	retrieved
	retrievalFailed
)

// saysAction reads what a procedure without a listed code did to a filter. One clause must name the filter and, beside it
// or led to by "of", the act; what only speaks of an act (a visit before it, an evaluation for it, a scan after it) did none.
func saysAction(text string) action {
	found := noAction
	if !mayHold(text, "filter", "ivcf") {
		return found
	}
	for _, clause := range clauses(text) {
		words := tokens(clause)
		at, length := filterAt(words)
		if at < 0 || slices.ContainsFunc(words, speaksOf) || slices.ContainsFunc(words[:at], leadsUpTo) || says(clause, "left in place", "left behind", "left alone") {
			continue
		}
		a := actBeside(words, at, length)
		if a == noAction {
			continue
		}
		if saysFailed(clause) || says(clause, "attempt", "attempted") {
			a = map[action]action{placed: placementFailed, retrieved: retrievalFailed, repositioned: noAction}[a]
		}
		// Of several acts in one text the failed retrieval says most, then the retrieval.
		found = max(found, a)
	}
	return found
}

func clauses(text string) []string {
	return strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(".;:\n", r) })
}

// filterAt finds where a text names a filter; -1 where it does not.
func filterAt(words []string) (at, length int) {
	for _, p := range filterPhrases() {
		want := tokens(p)
		for i := 0; i+len(want) <= len(words); i++ {
			if slices.Equal(words[i:i+len(want)], want) && len(want) > length {
				at, length = i, len(want)
			}
		}
	}
	if length == 0 {
		return -1, 0
	}
	return at, length
}

// speaksOf are words of a clause that denies an act or speaks of one instead of telling it.
func speaksOf(w string) bool {
	return negates(w) || slices.Contains([]string{"consultation", "consult", "evaluation", "evaluate", "assessment", "assess", "planning", "planned", "plan", "elsewhere", "reminder", "letter", "appointment", "clinic", "visit", "possible", "possibly", "potential", "discussion", "discuss", "discussed", "request", "requested", "referral", "refer", "scheduled", "schedule", "counselling", "counseling", "consent", "eligible", "eligibility", "suitability", "review", "remains", "remain", "remaining", "situ", "education", "if", "until", "when", "may", "should", "could", "would", "offered", "deferred", "postponed"}, w)
}

// leadsUpTo are words before the filter's name after which an act is what something else is about.
func leadsUpTo(w string) bool {
	return slices.Contains([]string{"before", "prior", "pre", "after", "post", "following", "follow", "for", "check", "history", "status"}, w)
}

// actBeside finds the act beside the filter's name: directly before or after it, or before it with "of" and words between that
// only say which filter. What stands farther off is about something else.
func actBeside(words []string, at, length int) action {
	after := words[at+length:]
	for i := 0; i < min(4, len(after)); i++ {
		if a := act(after[i]); a != noAction || after[i] == "placed" {
			if i+1 < len(after) && about(after[i+1]) {
				return noAction
			}
			return max(a, placed)
		}
		if !slices.Contains([]string{"was", "device", "successfully", "percutaneous", "endovascular", "transvenous", "complex"}, after[i]) {
			break
		}
	}
	of := false
	for i := at - 1; i >= max(0, at-9); i-- {
		if a := act(words[i]); a != noAction {
			if !of && i > 0 {
				return noAction // "thrombus removal IVC filter": an act on something else
			}
			return a
		}
		of = of || words[i] == "of"
		if !slices.Contains([]string{"of", "the", "a", "an", "his", "her", "their", "old", "existing", "previous", "previously", "placed", "indwelling", "retrievable", "temporary", "permanent", "optional", "inferior", "infrarenal", "suprarenal", "removable", "embedded", "tilted", "intravascular", "vascular", "prophylactic", "vena", "cava", "caval", "second", "2nd", "another", "additional", "new", "fractured", "broken", "migrated", "displaced", "penetrating", "occluded", "thrombosed", "infected"}, words[i]) {
			break
		}
	}
	return noAction
}

// about are words after an act's name that make it the name of something else: the site of an insertion, a card.
func about(w string) bool {
	return slices.Contains([]string{"site", "card", "kit", "set", "sheath", "wound", "dressing", "clinic", "visit", "appointment", "letter", "reminder", "check", "haematoma", "hematoma"}, w)
}

func act(w string) action {
	switch {
	case slices.Contains([]string{"insertion", "insert", "inserted", "placement", "implantation", "implanted", "implant", "deployment", "deployed"}, w):
		return placed
	case slices.Contains([]string{"removal", "removed", "remove", "retrieval", "retrieved", "retrieve", "explantation", "explanted", "explant", "extraction", "extracted"}, w):
		return retrieved
	case slices.Contains([]string{"repositioning", "reposition", "repositioned"}, w):
		return repositioned
	}
	return noAction
}
