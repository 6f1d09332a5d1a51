package chart

import (
	"slices"
	"strings"
	"unicode"
)

// Words are weak evidence: a listed phrase may say that something is a filter, never that it is out, and a phrase that
// is negated says nothing. The lists are ours; a site's own list comes with its value sets.

func filterPhrases() []string {
	return []string{
		"vena cava filter", "vena caval filter", "vena-cava filter", "vena cava-filter", "caval filter", "cava filter", "ivc filter", "ivc-filter", "ivcf",
		"svc filter", "filter of inferior vena cava", "filter in inferior vena cava", "filter inferior vena cava", "filter, vena cava", "filter vena cava", "filter, inferior vena cava",
	}
}

func negations() []string {
	return []string{"no", "not", "without", "never", "denies", "denied", "negative", "nor", "consider", "considered", "declined", "refused", "candidate", "versus", "vs", "cancelled", "canceled"}
}

// tokens splits a text into lower-case words.
func tokens(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// says reports whether text holds one of the phrases, word by word and not negated within the three words before it.
func says(text string, phrases ...string) bool {
	words := tokens(text)
	for _, p := range phrases {
		want := tokens(p)
		for i := 0; i+len(want) <= len(words); i++ {
			if !slices.Equal(words[i:i+len(want)], want) {
				continue
			}
			if !slices.ContainsFunc(words[max(0, i-3):i], func(w string) bool { return slices.Contains(negations(), w) }) {
				return true
			}
		}
	}
	return false
}

func saysFilter(text string) bool { return says(text, filterPhrases()...) }

func saysPlacement(text string) bool {
	return says(text, "insertion", "insert", "inserted", "placement", "placed", "place", "implantation", "implanted", "implant", "deployment", "deployed")
}

func saysRemoval(text string) bool {
	return says(text, "removal", "removed", "remove", "retrieval", "retrieved", "retrieve", "explantation", "explanted", "explant", "extraction")
}

func saysSecond(text string) bool {
	return says(text, "second filter", "2nd filter", "another filter", "additional filter", "two filters", "both filters", "second ivc filter", "second vena cava filter", "second caval filter")
}

func saysPartial(text string) bool {
	return says(text, "partial", "partially", "incomplete", "fragment", "fragments", "retained", "remnant")
}

func saysFailed(text string) bool {
	return says(text, "unsuccessful", "failed", "failure", "aborted", "abandoned", "discontinued", "unable to") || strings.Contains(strings.ToLower(text), "not successful")
}

func saysPermanent(text string) bool {
	return says(text, "permanent filter", "permanent ivc filter", "permanent vena cava filter", "permanent caval filter", "filter is permanent", "filter to remain permanently", "filter will not be removed", "permanent placement of filter")
}

func saysAbdomen(text string) bool {
	return says(text, "abdomen", "abdominal", "pelvis", "pelvic", "vena cava", "ivc", "cavogram", "cavography", "venacavogram", "lumbar")
}

// saysNoFilter wants the filter itself to be what is not seen: "no filter fracture" says that there is one.
func saysNoFilter(text string) bool {
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
	var phrases []string
	for _, e := range events {
		phrases = append(phrases, "new "+e, "new acute "+e, "recurrent "+e, "acute new "+e)
	}
	return says(text, phrases...)
}

func saysProphylactic(text string) bool {
	return says(text, "prophylaxis", "prophylactic", "prevention of pulmonary embolism", "preventive")
}

func saysSurgery(text string) bool {
	return says(text, "surgery", "surgical", "operation", "arthroplasty", "replacement", "resection", "craniotomy", "laparotomy", "fusion")
}
