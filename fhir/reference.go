package fhir

import "strings"

// Reference is a parsed Reference.reference: http://hl7.org/fhir/R4/references.html#literal.
type Reference struct {
	Base      string // "" for a relative reference
	Type, ID  string // "" where the text is not of the form Type/id
	Version   string // from /_history/v
	Contained string // id behind "#"
	URN       string // urn:uuid:… or urn:oid:…
	// Conditional says that it is a search ("Patient?identifier=…"); such a reference is kept as text and resolved by nobody.
	Conditional bool
}

// ParseReference reads the text of a reference. What it cannot read gives the zero Reference.
func ParseReference(s string) Reference {
	switch {
	case strings.HasPrefix(s, "#"):
		return Reference{Contained: s[1:]}
	case strings.HasPrefix(s, "urn:"):
		return Reference{URN: s}
	case strings.Contains(s, "?"):
		return Reference{Conditional: true}
	}
	var version string
	if at := strings.Index(s, "/_history/"); at >= 0 {
		s, version = s[:at], s[at+len("/_history/"):]
	}
	slash := strings.LastIndexByte(s, '/')
	if slash <= 0 {
		return Reference{}
	}
	id, rest := s[slash+1:], s[:slash]
	base := ""
	if b := strings.LastIndexByte(rest, '/'); b >= 0 {
		base, rest = rest[:b], rest[b+1:]
	}
	if !ValidID(id) || !validType(rest) {
		return Reference{}
	}
	return Reference{Base: base, Type: rest, ID: id, Version: version}
}

// Local gives "Type/id" for a relative reference, or an absolute one below base (compared without scheme, as FHIR's URL
// identity asks); "" otherwise.
func (r Reference) Local(base string) string {
	if !r.IsLocal(base) {
		return ""
	}
	return r.Type + "/" + r.ID
}

// IsLocal reports whether Local gives a name.
func (r Reference) IsLocal(base string) bool {
	return r.Type != "" && (r.Base == "" || base != "" && bare(r.Base) == bare(base))
}

// ValidID reports whether s is a FHIR id.
func ValidID(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for _, c := range []byte(s) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '.') {
			return false
		}
	}
	return true
}

func validType(s string) bool {
	if s == "" || s[0] < 'A' || s[0] > 'Z' {
		return false
	}
	for _, c := range []byte(s) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z') {
			return false
		}
	}
	return true
}

func bare(url string) string {
	url = strings.TrimSuffix(url, "/")
	if _, rest, ok := strings.Cut(url, "://"); ok {
		return rest
	}
	return url
}
