// Package chart reads one patient's FHIR resources into filter events and facts. It is pure: no clock, no I/O, no SQL; the
// facility's zone is an argument. What it cannot read it names in Unread and never guesses.
package chart

import (
	"embed"
	"encoding/json"
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
	codes    map[string][]string // system|code → names
	systems  map[string]bool     // of all sets
	filled   map[string]bool     // sets with a code
	patterns []pattern
	digest   string
	sigs     *sigPatterns
}

type pattern struct {
	system string
	expr   *regexp.Regexp
	name   string
	begins string // what every code that fits begins with
}

// fits reports whether a coding is one of the pattern.
func (p pattern) fits(system, code string) bool {
	return p.system == system && strings.HasPrefix(code, p.begins) && p.expr.MatchString(code)
}

// valueSet is the part of a FHIR R4 ValueSet that is read: compose.include with concepts, or with a regex on the code.
type valueSet struct {
	ResourceType string `json:"resourceType"`
	URL          string `json:"url"`
	Compose      struct {
		Include []struct {
			System  string `json:"system"`
			Concept []struct {
				Code string `json:"code"`
			} `json:"concept"`
			Filter []struct {
				Property string `json:"property"`
				Op       string `json:"op"`
				Value    string `json:"value"`
			} `json:"filter"`
		} `json:"include"`
	} `json:"compose"`
}

const setPrefix = "urn:dwellwatch:valueset:"

// ShippedSets compiles the value sets that come with dwellwatch.
func ShippedSets() (Sets, error) { return LoadSets() }

// LoadSets compiles the shipped value sets together with those of a site: a site's set of the same URL adds to ours.
// The error is fault.Invalid and names the set.
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
	s := Sets{codes: map[string][]string{}, systems: map[string]bool{}, sigs: newSigPatterns()}
	var lines []string
	for _, body := range append(all, site...) {
		var v valueSet
		if err := json.Unmarshal(body, &v); err != nil {
			return Sets{}, fmt.Errorf("value set: %w: %w", fault.Invalid, err)
		}
		name, ok := strings.CutPrefix(v.URL, setPrefix)
		if v.ResourceType != "ValueSet" || !ok {
			return Sets{}, fmt.Errorf("value set %q: %w: not a ValueSet of ours", v.URL, fault.Invalid)
		}
		got, err := s.add(name, v)
		if err != nil {
			return Sets{}, err
		}
		lines = append(lines, got...)
	}
	sort.Strings(lines)
	s.digest = strings.Join(slices.Compact(lines), "\n")
	return s, nil
}

func (s *Sets) add(name string, v valueSet) ([]string, error) {
	var lines []string
	if s.filled == nil {
		s.filled = map[string]bool{}
	}
	for _, inc := range v.Compose.Include {
		s.filled[name] = s.filled[name] || len(inc.Concept)+len(inc.Filter) > 0
		system := canonicalSystem(inc.System)
		s.systems[system] = true
		for _, c := range inc.Concept {
			key := system + "|" + canonicalCode(system, c.Code)
			if !slices.Contains(s.codes[key], name) {
				s.codes[key] = append(s.codes[key], name)
			}
			lines = append(lines, name+" "+key)
		}
		for _, f := range inc.Filter {
			if f.Property != "code" || f.Op != "regex" {
				return nil, fmt.Errorf("value set %s: %w: filter %s %s is not read", name, fault.Invalid, f.Property, f.Op)
			}
			expr, err := regexp.Compile("^(?:" + f.Value + ")$")
			if err != nil {
				return nil, fmt.Errorf("value set %s: %w: %w", name, fault.Invalid, err)
			}
			s.patterns = append(s.patterns, pattern{system, expr, name, beginning(f.Value)})
			lines = append(lines, name+" "+system+"~"+f.Value)
		}
	}
	return lines, nil
}

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
	for _, p := range s.patterns {
		if p.fits(system, code) {
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
