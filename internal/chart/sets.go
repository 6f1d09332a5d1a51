// Package chart reads one patient's FHIR resources into filter events and facts. It is pure: no clock, no I/O, no SQL; the
// facility's zone is an argument. What it cannot read it names in Unread and never guesses.
package chart

import (
	"embed"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"

	"dwellwatch/internal/fault"
)

//go:embed valuesets/*.json
var shipped embed.FS

// Sets is a compiled collection of value sets: which sets a coding belongs to.
type Sets struct {
	codes    map[string][]string  // system|code → names
	systems  map[string]bool      // of all sets
	filled   map[string]bool      // sets with a code
	patterns map[string][]pattern // by system
	added    Added
	digest   string
	sigs     *sigPatterns
}

type pattern struct {
	system string
	source string // as it was written
	expr   *regexp.Regexp
	name   string
	begins string // what every code that fits begins with
}

// fits reports whether a code of the pattern's system is one of it.
func (p pattern) fits(code string) bool {
	return strings.HasPrefix(code, p.begins) && p.expr.MatchString(code)
}

// ShippedSets compiles the value sets that come with dwellwatch.
func ShippedSets() (Sets, error) { return LoadSets() }

// LoadSets compiles the shipped value sets together with those of a site: a site's set of the same URL adds to ours.
// The error is fault.Invalid, and names the set and every element of it that is at fault.
func LoadSets(site ...[]byte) (Sets, error) {
	files, err := shipped.ReadDir("valuesets")
	if err != nil {
		return Sets{}, fmt.Errorf("read shipped value sets: %w", err)
	}
	var all [][]byte
	for _, f := range files {
		body, err := shipped.ReadFile("valuesets/" + f.Name())
		if err != nil {
			return Sets{}, fmt.Errorf("read shipped value set %s: %w", f.Name(), err)
		}
		all = append(all, body)
	}
	s := Sets{codes: map[string][]string{}, systems: map[string]bool{}, filled: map[string]bool{}, patterns: map[string][]pattern{}, sigs: newSigPatterns()}
	var read []valueSet
	var lines []string
	for i, body := range append(all, site...) {
		v, err := readValueSet(body)
		if err != nil {
			return Sets{}, err
		}
		more := s.add(v)
		if i >= len(all) {
			s.added.Sets++
			s.added.Codes += more.Codes
			s.added.Patterns += more.Patterns
		}
		read, lines = append(read, v), append(lines, v.lines()...)
	}
	if err := s.contradicted(slices.Concat(read[len(all):], read[:len(all)])); err != nil {
		return Sets{}, err
	}
	sort.Strings(lines)
	s.digest = strings.Join(slices.Compact(lines), "\n")
	return s, nil
}

// add puts a set's codes and patterns to those that are there, and counts what is new.
func (s *Sets) add(v valueSet) Added {
	var more Added
	s.filled[v.name] = true
	for _, c := range v.codes {
		s.systems[c.system] = true
		if !slices.Contains(s.codes[c.key()], v.name) {
			s.codes[c.key()] = append(s.codes[c.key()], v.name)
			more.Codes++
		}
	}
	for _, p := range v.patterns {
		s.systems[p.system] = true
		same := func(have pattern) bool {
			return have.name == p.name && have.source == p.source
		}
		if !slices.ContainsFunc(s.patterns[p.system], same) {
			s.patterns[p.system] = append(s.patterns[p.system], p)
			more.Patterns++
		}
	}
	return more
}

// contradicted finds a code that stands in two sets of which only one can be true, in the site's sets first. Two patterns are not held against each
// other: whether some code fits both cannot be told from them.
func (s Sets) contradicted(read []valueSet) error {
	for _, v := range read {
		var faults []error
		for _, c := range v.codes {
			for _, other := range s.names(c.system, c.code) {
				if exclude(v.name, other) {
					faults = append(faults, fmt.Errorf("%s: %s is also in %s%s, and can mean only one of the two", c.path, c.key(), setPrefix, other))
				}
			}
		}
		if len(faults) > 0 {
			return fmt.Errorf("value set %s%s: %w: %w", setPrefix, v.name, fault.Invalid, errors.Join(faults...))
		}
	}
	return nil
}

// Added counts what a site's value sets add to the shipped ones. A code that ships in the same set adds nothing.
type Added struct{ Sets, Codes, Patterns int }

// Added says what the site's value sets added.
func (s Sets) Added() Added { return s.added }

// Digest writes all sets as one text that changes exactly when their content does.
func (s Sets) Digest() string { return s.digest }

// holds reports whether a set has any code.
func (s Sets) holds(set string) bool { return s.filled[set] }

// names lists the sets that hold a coding. The list is not to be changed.
func (s Sets) names(system, code string) []string {
	return s.held(canonicalSystem(system), code)
}

// held is names for a canonical system.
func (s Sets) held(system, code string) []string {
	code = canonicalCode(system, code)
	var room [96]byte // enough for nearly all, so that looking up needs no memory
	out := slices.Clip(s.codes[string(append(append(append(room[:0], system...), '|'), code...))])
	for _, p := range s.patterns[system] {
		if p.fits(code) {
			out = append(out, p.name)
		}
	}
	return out
}

// beginning gives what every match of a pattern begins with; "" where it can begin in several ways.
func beginning(expr string) string {
	e, err := regexp.Compile(expr)
	if err != nil {
		return ""
	}
	prefix, _ := e.LiteralPrefix()
	return prefix
}

// canonicalSystem maps the published addresses of one code system to one. Blanks around it and slashes at its end do not count.
func canonicalSystem(system string) string {
	system = strings.TrimRight(strings.TrimSpace(system), "/")
	switch system {
	case "http://www.cms.gov/Medicare/Coding/ICD10", "urn:oid:2.16.840.1.113883.6.4":
		return "http://hl7.org/fhir/sid/icd-10-pcs"
	case "urn:oid:2.16.840.1.113883.6.90":
		return "http://hl7.org/fhir/sid/icd-10-cm"
	case "urn:oid:2.16.840.1.113883.6.96":
		return "http://snomed.info/sct"
	case "urn:oid:2.16.840.1.113883.6.12":
		return "http://www.ama-assn.org/go/cpt"
	case "urn:oid:2.16.840.1.113883.6.88":
		return "http://www.nlm.nih.gov/research/umls/rxnorm"
	case "urn:oid:2.16.840.1.113883.6.1":
		return "http://loinc.org"
	case "urn:oid:2.16.840.1.113883.6.104", "urn:oid:2.16.840.1.113883.6.103":
		return "http://hl7.org/fhir/sid/icd-9-cm"
	case "urn:oid:2.16.840.1.113883.6.73":
		return "http://www.whocc.no/atc"
	}
	return system
}

// canonicalCode puts the dot of ICD-10-CM back where a sender left it out, and takes off a modifier that stands after a
// CPT code ("37193-53"). Blanks around it do not count.
func canonicalCode(system, code string) string {
	code = strings.TrimSpace(code)
	if system == "http://hl7.org/fhir/sid/icd-10-cm" && len(code) > 3 && !strings.Contains(code, ".") {
		return code[:3] + "." + code[3:]
	}
	if system == "http://www.ama-assn.org/go/cpt" && len(code) == 8 && code[5] == '-' {
		return code[:5]
	}
	return code
}
