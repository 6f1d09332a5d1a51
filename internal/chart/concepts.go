package chart

import (
	"slices"
	"strings"

	"dwellwatch/fhir"
)

// concept is a CodeableConcept: the sets it belongs to, and its words.
type concept struct {
	sets  []string
	words string
	codes []coding
}

type coding struct{ system, code string }

func (c concept) in(set string) bool { return slices.Contains(c.sets, set) }

// label names the codes for people.
func (c concept) label() string {
	if len(c.codes) == 0 {
		return "text only"
	}
	text := ""
	for i, k := range c.codes {
		if i > 0 {
			text += ", "
		}
		text += systemName(k.system) + " " + k.code
	}
	return text
}

// concept reads a CodeableConcept. Words are the text and the displays.
func (r *reader) concept(v fhir.Value) concept {
	var c concept
	if !v.IsObject() {
		return c
	}
	words, from := r.words.Len(), len(r.codes)
	first := true
	for k := range v.Member("coding").Each() {
		if code := strings.TrimSpace(k.Member("code").String()); code != "" {
			canonical, sets := r.known(k.Member("system").String(), code)
			r.codes = append(r.codes, coding{canonical, code})
			if c.sets == nil {
				c.sets = sets
			} else {
				c.sets = append(c.sets, sets...)
			}
		}
		if !first {
			r.words.WriteString(" . ")
		}
		first = false
		r.words.WriteString(k.Member("display").String())
	}
	if !first {
		r.words.WriteString(" . ")
	}
	r.words.WriteString(v.Member("text").String())
	c.words = strings.TrimSpace(r.words.String()[words:])
	c.codes = r.codes[from:len(r.codes):len(r.codes)]
	return c
}

// known gives the canonical system of a coding and the sets that hold it. Of values of one kind there are many, one after another: the
// coding that was asked for last is not looked up again.
func (r *reader) known(system, code string) (canonical string, sets []string) {
	if l := &r.last; l.code != code || l.system != system {
		l.coding, l.canonical = coding{system, code}, canonicalSystem(system)
		l.sets = slices.Clip(r.sets.held(l.canonical, code))
	}
	return r.last.canonical, r.last.sets
}

// systemName names a canonical system for people.
func systemName(system string) string {
	switch system {
	case "http://hl7.org/fhir/sid/icd-10-pcs":
		return "ICD-10-PCS"
	case "http://hl7.org/fhir/sid/icd-10-cm":
		return "ICD-10-CM"
	case "http://snomed.info/sct":
		return "SNOMED CT"
	case "http://www.ama-assn.org/go/cpt":
		return "CPT"
	case "http://www.nlm.nih.gov/research/umls/rxnorm":
		return "RxNorm"
	case "http://loinc.org":
		return "LOINC"
	case "http://hl7.org/fhir/sid/icd-9-cm":
		return "ICD-9-CM"
	}
	return "code"
}
