package chart

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/fault"
)

const setPrefix = "urn:dwellwatch:valueset:"

// setNames lists the sets that are read somewhere in this package. A set of another name would be loaded and never asked.
func setNames() []string {
	return []string{
		"bleed", "bleeding-disorder", "body-weight", "caval-occluded", "caval-thrombosis-acute", "device-embolism",
		"device-haemorrhage", "device-infection", "device-other", "device-pain", "device-stenosis", "device-thrombosis",
		"discharge-death-hospice", "dvt-acute", "femoral-patent", "filter-device", "filter-displacement",
		"filter-fracture", filterNotSeen, "filter-penetration", "filter-placement", "filter-removal",
		"filter-removal-nonspecific", "filter-repositioning", filterSeen, "filter-thrombus", "filter-tilt", "hit",
		"hook-embedded", "imaging-cavogram", "imaging-ct-abdomen", "imaging-duplex", "implant-present", "jugular-patent",
		"lab-creatinine", "lab-haemoglobin", "lab-inr", "lab-platelets", "mobility-regained", "palliative", "pe-acute",
		"penetration-grade", "prophylactic-reason", "site-cava", "site-heart-lung", "site-organ", "surgery",
		"thrombocytopenia",
	}
}

// exclude reports whether a code cannot mean both: one act either puts the filter in or takes it out or moves it, and a
// finding either sees one or sees none.
func exclude(a, b string) bool {
	for _, group := range [][]string{{"filter-placement", "filter-removal", "filter-repositioning"}, {filterSeen, filterNotSeen}} {
		if a != b && slices.Contains(group, a) && slices.Contains(group, b) {
			return true
		}
	}
	return false
}

// valueSet is what is read of a FHIR R4 ValueSet: compose.include with concepts, or with one regex on the code.
// http://hl7.org/fhir/R4/valueset.html
type valueSet struct {
	name     string
	codes    []listedCode
	patterns []pattern
}

// listedCode is a code with its system and the place where it stands.
type listedCode struct{ system, code, path string }

func (c listedCode) key() string { return c.system + "|" + c.code }

// lines writes the set for the digest.
func (v valueSet) lines() []string {
	var out []string
	for _, c := range v.codes {
		out = append(out, v.name+" "+c.key())
	}
	for _, p := range v.patterns {
		out = append(out, v.name+" "+p.system+"~"+p.source)
	}
	return out
}

// readValueSet reads a ValueSet of ours or of a site. What FHIR allows and this package does not follow is a fault: a set that
// is read in part would look as if it were read whole. The error lists all faults.
func readValueSet(body []byte) (valueSet, error) {
	if !gjson.ValidBytes(body) {
		return valueSet{}, fmt.Errorf("value set: %w: not JSON", fault.Invalid)
	}
	doc := gjson.ParseBytes(body)
	if !doc.IsObject() || doc.Get("resourceType").String() != "ValueSet" {
		return valueSet{}, fmt.Errorf("value set: %w: resourceType: not a ValueSet", fault.Invalid)
	}
	r := &setReader{}
	for _, path := range repeated(doc, "ValueSet") {
		r.fault(path, "stands twice; write it once")
	}
	url, _, _ := strings.Cut(doc.Get("url").String(), "|")
	name, ours := strings.CutPrefix(url, setPrefix)
	if !ours || !slices.Contains(setNames(), name) {
		r.fault("ValueSet.url", "write "+setPrefix+"NAME, where NAME is one of "+strings.Join(setNames(), ", "))
	}
	r.set.name = name
	r.only(doc, "ValueSet", "resourceType", "id", "meta", "implicitRules", "language", "text", "contained", "extension", "url",
		"identifier", "version", "name", "title", "status", "experimental", "date", "publisher", "contact", "description",
		"useContext", "jurisdiction", "immutable", "purpose", "copyright", "compose", "expansion")
	if status := doc.Get("status"); status.Exists() && !oneOf(status.String(), "draft", "active", "unknown") {
		r.fault("ValueSet.status", "only a set that is active, draft or unknown is read, so that one that was taken out of use does not count")
	}
	r.compose(doc)
	if len(r.faults) > 0 {
		return valueSet{}, fmt.Errorf("value set %q: %w: %w", url, fault.Invalid, errors.Join(r.faults...))
	}
	return r.set, nil
}

// setReader gathers a set and all that is wrong with it.
type setReader struct {
	set    valueSet
	faults []error
}

func (r *setReader) fault(path, text string) {
	r.faults = append(r.faults, fmt.Errorf("%s: %s", path, text))
}

// only notes members of an object that are not among those given.
func (r *setReader) only(v gjson.Result, at string, members ...string) {
	v.ForEach(func(name, _ gjson.Result) bool {
		if !slices.Contains(members, strings.TrimPrefix(name.String(), "_")) {
			r.fault(at+"."+name.String(), "not read; codes are read from ValueSet.compose.include[].concept[].code")
		}
		return true
	})
}

// each goes through the objects of an array with their paths; anything else, and an empty array, is a fault.
func (r *setReader) each(v gjson.Result, at string, do func(e gjson.Result, path string)) {
	if !v.IsArray() || len(v.Array()) == 0 {
		r.fault(at, "write a list with at least one object")
		return
	}
	for i, e := range v.Array() {
		path := fmt.Sprintf("%s[%d]", at, i)
		if !e.IsObject() {
			r.fault(path, "write an object")
			continue
		}
		do(e, path)
	}
}

func (r *setReader) compose(doc gjson.Result) {
	const at = "ValueSet.compose"
	compose := doc.Get("compose")
	switch {
	case !compose.Exists() && doc.Get("expansion").Exists():
		r.fault("ValueSet.expansion", "not read; list the codes in ValueSet.compose.include[].concept[].code")
		return
	case !compose.IsObject():
		r.fault(at, "write an object with the list include")
		return
	}
	r.only(compose, at, "id", "extension", "lockedDate", "inactive", "include", "exclude")
	if compose.Get("exclude").Exists() {
		r.fault(at+".exclude", "not read; list in include only the codes that count")
	}
	r.each(compose.Get("include"), at+".include", r.include)
}

func (r *setReader) include(v gjson.Result, at string) {
	r.only(v, at, "id", "extension", "system", "version", "concept", "filter", "valueSet")
	system := canonicalSystem(v.Get("system").String())
	if v.Get("system").Type != gjson.String || system == "" {
		r.fault(at+".system", "missing or no text; a code is read with its system only")
	}
	if v.Get("valueSet").Exists() {
		r.fault(at+".valueSet", "not read; list the codes of that set in concept")
		return
	}
	concept, filter := v.Get("concept"), v.Get("filter")
	switch {
	case concept.Exists() && filter.Exists():
		r.fault(at, "write either concept or filter, as FHIR has it; two includes may name one system")
	case concept.Exists():
		r.each(concept, at+".concept", func(c gjson.Result, path string) {
			r.only(c, path, "id", "extension", "code", "display", "designation")
			code := canonicalCode(system, c.Get("code").String())
			if c.Get("code").Type != gjson.String || code == "" {
				r.fault(path+".code", "missing or no text")
			}
			r.set.codes = append(r.set.codes, listedCode{system, code, path + ".code"})
		})
	case filter.Exists():
		r.filters(filter, at+".filter", system)
	default:
		r.fault(at, "a system alone means all its codes, which is not read; list the codes in concept, or write one filter with a regex on the code")
	}
}

// filters reads the one regex of an include. Of several FHIR wants all to hold, which nothing here would.
func (r *setReader) filters(v gjson.Result, at, system string) {
	if len(v.Array()) > 1 {
		r.fault(at, "only one filter is read; in FHIR all would have to hold; write one regex, or an include for each")
		return
	}
	r.each(v, at, func(f gjson.Result, path string) {
		r.only(f, path, "id", "extension", "property", "op", "value")
		if f.Get("property").String() != "code" || f.Get("op").String() != "regex" {
			r.fault(path, "only the property code with the op regex is read")
			return
		}
		value := f.Get("value")
		expr, err := regexp.Compile("^(?:" + value.String() + ")$")
		switch {
		case value.Type != gjson.String || value.String() == "":
			r.fault(path+".value", "missing or no text")
		case err != nil:
			r.fault(path+".value", "no regular expression that can be read")
		default:
			r.set.patterns = append(r.set.patterns, pattern{system, value.String(), expr, r.set.name, beginning(value.String())})
		}
	})
}

// repeated gives the paths of members that stand twice in their object. Of two, one reader takes the first and another the last.
func repeated(v gjson.Result, at string) []string {
	var out []string
	switch {
	case v.IsArray():
		for i, e := range v.Array() {
			out = append(out, repeated(e, fmt.Sprintf("%s[%d]", at, i))...)
		}
	case v.IsObject():
		seen := map[string]bool{}
		v.ForEach(func(name, e gjson.Result) bool {
			path := at + "." + name.String()
			if seen[name.String()] {
				out = append(out, path)
			}
			seen[name.String()] = true
			out = append(out, repeated(e, path)...)
			return true
		})
	}
	return out
}
