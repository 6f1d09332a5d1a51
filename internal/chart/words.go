package chart

import (
	"slices"
	"strings"
)

// Words are weak evidence: a listed phrase may say that something is a filter, never that it is out, and a phrase that
// is negated says nothing. The lists are ours; a site's own list comes with its value sets.

func filterPhrases() []string {
	return []string{
		"vena cava filter", "vena caval filter", "vena-cava filter", "vena cava-filter", "caval filter", "cava filter", "ivc filter", "ivc-filter", "ivcf", "ivc filters", "vena cava filters", "caval filters",
		"svc filter", "filter of inferior vena cava", "filter in inferior vena cava", "filter in the inferior vena cava", "filter into inferior vena cava", "filter into the inferior vena cava", "filter into vena cava", "filter into the vena cava", "filter into ivc", "filter into the ivc", "filter in ivc", "filter in the ivc", "filter inferior vena cava", "filter, vena cava", "filter vena cava", "filter, inferior vena cava",
	}
}

func saysFilter(text string) bool {
	return mayHold(text, "filter", "ivcf") && says(text, filterPhrases()...)
}

func saysRemoval(text string) bool {
	if !mayHold(text, "remov", "retriev", "explant", "extract") {
		return false
	}
	return says(text, "removal", "removed", "remove", "retrieval", "retrieved", "retrieve", "explantation", "explanted", "explant", "extraction")
}

func saysSecond(text string) bool {
	if !mayHold(text, "filter") {
		return false
	}
	return says(text, "second filter", "2nd filter", "another filter", "additional filter", "two filters", "both filters", "second ivc filter", "second vena cava filter", "second caval filter")
}

// saysPartial reports whether a text tells that a part of the filter stayed in. What is partial must be the retrieval, and
// what is retained a part: a note also speaks of a partial thromboplastin time.
func saysPartial(text string) bool {
	return saysPartLeft(text) || read(text).says(overOr, "fragment", "fragments", "remnant", "remnants")
}

// saysPartLeft wants it said outright that a part stayed: a fragment that is only spoken of may have come out, too.
func saysPartLeft(text string) bool {
	p := read(text)
	phrases := []string{"partially successful", "partial success"}
	// Phrases are put together only for the words that are there.
	for _, how := range []string{"partial", "partially", "incomplete", "incompletely"} {
		if !slices.Contains(p.words, how) {
			continue
		}
		for _, what := range []string{"removal", "removed", "retrieval", "retrieved", "extraction", "extracted", "explantation", "explanted", "filter removal", "filter retrieval"} {
			phrases = append(phrases, how+" "+what, what+" "+how, what+" was "+how)
		}
	}
	for _, part := range []string{"fragment", "fragments", "strut", "struts", "hook", "portion", "piece", "pieces", "component"} {
		if slices.Contains(p.words, part) {
			phrases = append(phrases, part+" remains", part+" remain", part+" left", part+" was left", part+" were left")
		}
	}
	// Patients have legs, limbs and parts, too.
	for _, part := range []string{"fragment", "fragments", "strut", "struts", "hook", "portion", "part", "parts", "piece", "pieces", "component", "leg", "legs", "limb", "limbs"} {
		if slices.Contains(p.words, part) {
			phrases = append(phrases, "retained "+part, "retained filter "+part, part+" retained", part+" left behind", part+" was left behind", part+" were left behind", "filter "+part+" remains", "filter "+part+" remain")
		}
	}
	return p.says(overOr, phrases...) || p.partStays()
}

// partStays reports a part of a filter that, some words later and without a comma, stays: "one leg fractured and stays in the wall".
func (p passage) partStays() bool {
	for i, w := range p.words {
		stays := slices.Contains([]string{"remains", "remain", "remained", "remaining", "stays", "stay", "stayed", "retained", "lodged", "embolised", "embolized", "detached"}, w)
		for at := i; stays && at > i-6 && p.stops[at] == joins; at-- {
			part := slices.Contains([]string{"fragment", "fragments", "strut", "struts", "hook", "hooks", "tine", "tines", "piece", "pieces", "component", "components"}, p.words[at-1])
			// Patients have legs, limbs and parts, too.
			limb := slices.Contains([]string{"leg", "legs", "limb", "limbs", "arm", "arms", "part", "parts"}, p.words[at-1]) && slices.ContainsFunc(p.words[at:i], func(w string) bool { return w == "fractured" || w == "broken" || w == "filter" })
			if (part || limb) && !p.denied(at-1, 1, overOr) && !p.denied(i, 1, overOr) {
				return true
			}
		}
	}
	return false
}

// saysPartialOutcome is for the words of an outcome, which are about nothing else.
func saysPartialOutcome(text string) bool {
	return saysPartial(text) || read(text).says(overOr, "partial", "partially", "incomplete", "incompletely", "retained")
}

func saysFailed(text string) bool {
	p := read(text)
	for i, w := range p.words {
		// Organs fail, too.
		organ := i > 0 && slices.Contains([]string{"heart", "cardiac", "renal", "kidney", "respiratory", "liver", "hepatic", "organ"}, p.words[i-1])
		if w == "failure" && !organ && !p.denied(i, 1, overNothing) {
			return true
		}
	}
	return p.says(overNothing, "unsuccessful", "unsuccessfully", "failed", "aborted", "abandoned", "discontinued", "unable to", "not able to", "not successful", "not successfully", "without success")
}

// saysDenied reports words of a retrieval that say it did not take the filter out. A first try that failed before a second that
// did not is told by them, too: then somebody is asked for nothing, which is the lesser fault.
func saysDenied(text string) bool {
	return saysFailed(text) || saysNotOut(text) || saysStillIn(text) || saysHindered(text) || read(text).says(overNothing, "attempted", "attempt", "not performed", "not done", "cancelled", "canceled", "remains in situ", "retrieval terminated", "removal terminated", "terminated as", "terminated because", "terminated due")
}

// saysHindered reports words of a retrieval that was put off or could not be gone on with.
func saysHindered(text string) bool {
	return read(text).says(overNothing, "deferred", "postponed", "rescheduled", "to be rescheduled", "reattempt", "re-attempt", "not feasible", "not to proceed", "not proceed", "no retrieval", "no removal", "venogram only", "cavogram only",
		"could not", "would not", "cannot be", "leave the filter", "leave filter", "leaving the filter", "leave it in", "filter retained", "retained filter")
}

// saysNotOut is for the words of an outcome, whose subject is the filter without its being named.
func saysNotOut(text string) bool {
	return read(text).says(overNothing, "not retrieved", "not removed", "not extracted", "not explanted", "not be retrieved", "not be removed", "not be extracted", "cannot be retrieved", "cannot be removed", "not possible", "not retrievable", "irretrievable",
		"left in situ", "left in place", "remains in situ", "remains in place", "still in situ", "still in place")
}

// saysStillIn reports a clause in which it is the filter that is still in, or did not come out.
func saysStillIn(text string) bool {
	if !strings.Contains(strings.ToLower(text), "filter") && !says(text, "unable to retrieve", "unable to remove") {
		return false
	}
	return slices.ContainsFunc(clauses(text), func(clause string) bool {
		words := read(clause)
		if words.says(overNothing, "filter remains", "filter remained", "filter stays", "filter stayed", "filter still", "filter left", "filter was left", "filter is left", "filter not retrieved", "filter not removed", "filter was not retrieved", "filter was not removed", "filter could not be", "filter cannot be",
			"filter in situ", "filter in place", "filter is in situ", "filter is in place", "filter remaining", "unable to retrieve", "unable to remove") {
			return true
		}
		// "Filter displaced, tilted, in situ."
		return len(words.words) > 0 && words.words[0] == "filter" && words.says(overNothing, "in situ", "in place") && !saysRemoval(clause)
	})
}

// saysPermanent reports a decision that the filter stays. A clause that denies it before or after the phrase says nothing.
func saysPermanent(text string) bool {
	if !mayHold(text, "filter") || !mayHold(text, "permanent", "removed") {
		return false
	}
	return slices.ContainsFunc(clauses(text), func(clause string) bool {
		words := tokens(clause)
		denied := func(w string) bool {
			return slices.Contains([]string{"unavailable", "instead", "rather", "if", "unless", "until", "option", "alternative"}, w) || negates(w)
		}
		if says(clause, "filter will not be removed") {
			return true
		}
		return says(clause, "permanent filter", "permanent ivc filter", "permanent vena cava filter", "permanent caval filter", "filter is permanent", "filter to remain permanently", "permanent placement of filter") &&
			!slices.ContainsFunc(words, denied)
	})
}

func heartPhrases() []string {
	return []string{"heart", "atrium", "ventricle", "intracardiac", "cardiac chamber", "cardiac chambers", "tricuspid valve", "pericardium", "pericardial space", "pulmonary artery", "pulmonary arteries", "pulmonary arterial", "lung", "lungs"}
}

// saysHeart wants the words to be a site, as a body site's are.
func saysHeart(site string) bool { return mayHoldHeart(site) && says(site, heartPhrases()...) }

// mayHoldHeart is mayHold for the heart's phrases.
func mayHoldHeart(text string) bool {
	return mayHold(text, "heart", "atrium", "ventricle", "cardi", "tricuspid", "pulmonary", "lung")
}

// saysInHeart reports whether a text puts a filter or a part of one into the heart, the pulmonary arteries or the lung: in one
// clause a thing or a movement, then a word for the place that is led to by "in", "into", "to" or the like, with nothing in the
// clause that denies it. A heart that is only spoken of (heart failure, a heart of normal size) is not meant.
func saysInHeart(text string) bool {
	if !mayHoldHeart(text) {
		return false
	}
	for _, clause := range clauses(text) {
		if inHeart(clause) {
			return true
		}
		// What is denied before a comma is not the rest: "no fever, filter in the right atrium".
		if !slices.ContainsFunc(tokens(clause), func(w string) bool { return w == "or" || w == "nor" }) && slices.ContainsFunc(strings.Split(clause, ","), inHeart) {
			return true
		}
	}
	return false
}

func inHeart(clause string) bool {
	if says(clause, "intracardiac filter", "intracardiac fragment", "intracardiac strut", "intracardiac migration", "intracardiac embolization", "intracardiac embolisation", "cardiac migration") {
		return true
	}
	words := tokens(clause)
	for i, w := range words {
		if negates(w) || slices.Contains([]string{"absent", "ruled", "excluded"}, w) {
			return false
		}
		if slices.Contains([]string{"in", "into", "to", "within", "inside", "entering", "entered"}, w) && leadsToHeart(words[i+1:]) && slices.ContainsFunc(words[:i], movedPart) {
			return true
		}
	}
	return false
}

// movedPart reports a word for a filter, a part of it, or its movement.
func movedPart(w string) bool {
	return slices.Contains([]string{"filter", "ivcf", "fragment", "fragments", "strut", "struts", "leg", "legs", "limb", "limbs", "arm", "arms", "hook", "hooks", "piece", "pieces", "part", "parts", "component", "components",
		"migrated", "migration", "embolised", "embolized", "embolisation", "embolization", "displaced", "displacement", "dislodged", "lodged", "travelled", "traveled", "moved"}, w)
}

// leadsToHeart reports whether words begin with a place in heart or lung, with at most six words that only say which part.
func leadsToHeart(words []string) bool {
	for i := 0; i < min(len(words), 7); i++ {
		for _, p := range heartPhrases() {
			want := tokens(p)
			if i+len(want) > len(words) || !slices.Equal(words[i:i+len(want)], want) {
				continue
			}
			if rest := words[i+len(want):]; len(rest) > 0 && slices.Contains([]string{"failure", "disease", "attack", "rate", "rhythm", "block", "murmur", "transplant", "surgery", "cancer", "clinic", "patient", "team", "carcinoma", "metastasis", "metastases"}, rest[0]) {
				return false
			}
			return true
		}
		if !slices.Contains([]string{"the", "a", "his", "her", "their", "left", "right", "main", "lower", "upper", "middle", "distal", "proximal", "segmental", "lobar", "wall", "base", "apex", "free", "lumen", "of", "branch", "lobe"}, words[i]) {
			return false
		}
	}
	return false
}

// saysMobile reports that a patient moves again or that the risk which a filter was to cover has passed.
func saysMobile(text string) bool {
	if !mayHold(text, "mobil", "walk", "ambula", "risk") {
		return false
	}
	words := read(text)
	return !words.says(overLists, "not", "unable") && words.says(overLists, "fully mobile", "mobile again", "independently mobile", "mobilising independently", "mobilizing independently", "walking independently", "walks independently",
		"ambulating independently", "ambulates independently", "independent walking", "independent ambulation", "mobility regained", "mobility restored", "normal mobility",
		"risk of thromboembolism has passed", "risk of thrombosis has passed", "risk of embolism has passed", "vte risk has passed", "no longer at risk of thromboembolism", "no longer at risk of thrombosis", "no longer at risk of embolism", "no longer at risk of vte")
}

func saysAbdomen(text string) bool {
	if !mayHold(text, "abdom", "pelvi", "cava", "ivc", "cavo", "lumbar") {
		return false
	}
	return says(text, "abdomen", "abdominal", "pelvis", "pelvic", "vena cava", "ivc", "cavogram", "cavography", "venacavogram", "lumbar")
}

// saysNoFilter wants the filter itself to be what is not seen: "no filter fracture" says that there is one.
func saysNoFilter(text string) bool {
	if !mayHold(text, "filter") {
		return false
	}
	var phrases []string
	for _, name := range []string{"filter", "ivc filter", "caval filter", "vena cava filter", "inferior vena cava filter"} {
		for _, seen := range []string{"seen", "identified", "visualised", "visualized", "visible", "present", "in situ"} {
			phrases = append(phrases, "no "+name+" "+seen, "no "+name+" is "+seen)
		}
	}
	for _, gone := range []string{"not seen", "not identified", "not visualised", "not visualized", "not visible", "not present", "no longer seen", "no longer visible", "no longer present", "absent"} {
		phrases = append(phrases, "filter "+gone, "filter is "+gone)
	}
	return says(text, phrases...)
}

func saysNew(text string, events ...string) bool {
	if !mayHold(text, "new", "recurrent") {
		return false
	}
	for _, clause := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(".;:,\n", r) }) {
		words := tokens(clause)
		for i, w := range words {
			if w != "new" && w != "recurrent" || slices.ContainsFunc(words[max(0, i-3):i], negates) {
				continue
			}
			// What is new is the event, with a few words between that say which: "new bilateral segmental emboli".
			for gap := 1; gap <= 5 && i+gap < len(words); gap++ {
				if startsWith(words[i+gap:], events) {
					return true
				}
				if !slices.Contains(eventQualities(), words[i+gap]) {
					break
				}
			}
		}
	}
	return false
}

// eventQualities are words that may stand between "new" and the event.
func eventQualities() []string {
	return []string{"acute", "subacute", "small", "large", "massive", "submassive", "extensive", "bilateral", "left", "right", "sided", "central", "saddle", "lobar", "segmental", "subsegmental", "peripheral", "multiple", "proximal", "distal", "occlusive", "nonocclusive", "non", "femoral", "popliteal", "iliac", "and", "or"}
}

func startsWith(words []string, phrases []string) bool {
	return slices.ContainsFunc(phrases, func(p string) bool { return begins(words, p) })
}
