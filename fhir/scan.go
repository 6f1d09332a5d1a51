package fhir

import (
	"encoding/json"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

const (
	// maxDepth is how deep objects and arrays may be nested, the outermost one counted.
	maxDepth = 64
	tooDeep  = "objects and arrays are nested deeper than 64 levels"
	// maxIssues keeps the answer to a hopeless document short.
	maxIssues = 100
)

// scanner reads one JSON document (RFC 8259) from end to end without building it, and notes what encoding/json lets
// pass: duplicate member names, text that is not UTF-8, escapes that are no Unicode text, nesting without end.
type scanner struct {
	src    []byte
	pos    int
	depth  int
	path   []step
	issues []Issue
	// names are the member names of the objects being read, from the outermost to the innermost.
	names [][]byte
}

// step is one member name or array index on the way to the place being read.
type step struct {
	name  []byte
	index int // -1 for a member
}

// scan reads the whole of src. Paths in the issues have no root: "code.coding[0].display".
func scan(src []byte) []Issue {
	s := &scanner{src: src, path: make([]step, 0, 16), names: make([][]byte, 0, 32)}
	s.space()
	if s.pos == len(src) {
		s.note("fatal", "structure", "the body is empty")
		return s.issues
	}
	if !s.value() {
		return s.issues
	}
	s.space()
	if s.pos < len(src) {
		s.path = nil
		s.note("fatal", "structure", "there is more after the end of the JSON document, at byte "+strconv.Itoa(s.pos))
	}
	return s.issues
}

func (s *scanner) note(severity, code, text string) {
	if len(s.issues) < maxIssues {
		s.issues = append(s.issues, Issue{Severity: severity, Code: code, Expression: expression(s.path), Text: text})
	}
}

// broken notes a syntax fault; nothing after it can be read, so it gives false.
func (s *scanner) broken(what string) bool {
	s.note("fatal", "structure", "this is not JSON: "+what+" at byte "+strconv.Itoa(s.pos))
	return false
}

func (s *scanner) space() { s.pos = skipSpace(s.src, s.pos) }

func (s *scanner) peek() byte {
	if s.pos < len(s.src) {
		return s.src[s.pos]
	}
	return 0
}

func (s *scanner) value() bool {
	switch c := s.peek(); {
	case c == '{':
		return s.nested(true)
	case c == '[':
		return s.nested(false)
	case c == '"':
		_, _, ok := s.text()
		return ok
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	}
	rest := s.src[s.pos:]
	switch {
	case len(rest) >= 4 && (string(rest[:4]) == "true" || string(rest[:4]) == "null"):
		s.pos += 4
		return true
	case len(rest) >= 5 && string(rest[:5]) == "false":
		s.pos += 5
		return true
	}
	return s.broken("a value was expected")
}

func (s *scanner) nested(object bool) (ok bool) {
	if s.depth == maxDepth {
		// What lies deeper is stepped over unread, so that in a Bundle only the entry is at fault.
		s.note("fatal", "structure", tooDeep)
		s.pos = valueEnd(s.src, s.pos)
		return true
	}
	s.depth++
	s.pos++
	if object {
		ok = s.object()
	} else {
		ok = s.array()
	}
	s.depth--
	return ok
}

func (s *scanner) object() bool {
	outer := len(s.names)
	var many map[string]struct{}
	s.space()
	if s.peek() == '}' {
		s.pos++
		return true
	}
	for {
		s.space()
		if s.peek() != '"' {
			return s.broken("a member name was expected")
		}
		quoted, escaped, ok := s.text()
		if !ok {
			return false
		}
		name := quoted[1 : len(quoted)-1]
		if escaped {
			var meant string
			// The syntax has been checked; a fault that is left has been noted.
			_ = json.Unmarshal(quoted, &meant)
			name = []byte(meant)
		}
		s.path = append(s.path, step{name, -1})
		if s.given(name, outer, &many) {
			s.note("error", "structure", "this member is given more than once")
		}
		s.space()
		if s.peek() != ':' {
			return s.broken("a colon was expected")
		}
		s.pos++
		s.space()
		if !s.value() {
			return false
		}
		s.path = s.path[:len(s.path)-1]
		s.space()
		switch s.peek() {
		case ',':
			s.pos++
		case '}':
			s.pos++
			s.names = s.names[:outer]
			return true
		default:
			return s.broken("a comma or the end of an object was expected")
		}
	}
}

func (s *scanner) array() bool {
	s.space()
	if s.peek() == ']' {
		s.pos++
		return true
	}
	for i := 0; ; i++ {
		s.space()
		s.path = append(s.path, step{index: i})
		if !s.value() {
			return false
		}
		s.path = s.path[:len(s.path)-1]
		s.space()
		switch s.peek() {
		case ',':
			s.pos++
		case ']':
			s.pos++
			return true
		default:
			return s.broken("a comma or the end of an array was expected")
		}
	}
}

// text reads a string and gives it as it stands, and whether it has escapes. U+0000 and half surrogates are refused: FHIR strings may not hold them
// (http://hl7.org/fhir/R4/datatypes.html#string) and no store can keep them as text.
func (s *scanner) text() (quoted []byte, escaped, ok bool) {
	start := s.pos
	ascii := true
	for s.pos = plainEnd(s.src, s.pos+1); s.pos < len(s.src); s.pos = plainEnd(s.src, s.pos) {
		switch c := s.src[s.pos]; {
		case c == '"':
			s.pos++
			if escaped || !ascii {
				s.judge(s.src[start:s.pos], escaped)
			}
			return s.src[start:s.pos], escaped, true
		case c < 0x20:
			return nil, false, s.broken("a control character stands in a string")
		case c == '\\':
			escaped = true
			if !s.escape() {
				return nil, false, s.broken("a string has an escape that JSON does not know")
			}
		default:
			ascii = false
			s.pos++
		}
	}
	return nil, false, s.broken("a string has no end")
}

// escape steps over one escape and reports whether JSON knows it.
func (s *scanner) escape() bool {
	s.pos++
	if s.pos == len(s.src) {
		return false
	}
	c := s.src[s.pos]
	s.pos++
	if c != 'u' {
		return strings.IndexByte(`"\/bfnrt`, c) >= 0
	}
	_, ok := hex4(s.src, s.pos)
	if ok {
		s.pos += 4
	}
	return ok
}

// judge notes a string that is no Unicode text.
func (s *scanner) judge(quoted []byte, escaped bool) {
	inner := quoted[1 : len(quoted)-1]
	if !utf8.Valid(inner) {
		s.note("error", "structure", "the text is not UTF-8")
	}
	if escaped && !escapesAreText(inner) {
		s.note("error", "value", "the text holds U+0000 or half of a surrogate pair")
	}
}

func escapesAreText(inner []byte) bool {
	for i := 0; i < len(inner); i++ {
		if inner[i] != '\\' {
			continue
		}
		i++
		if inner[i] != 'u' {
			continue
		}
		r, _ := hex4(inner, i+1)
		i += 4
		if r == 0 {
			return false
		}
		if !utf16.IsSurrogate(r) {
			continue
		}
		if i+2 >= len(inner) || inner[i+1] != '\\' || inner[i+2] != 'u' {
			return false
		}
		low, ok := hex4(inner, i+3)
		if !ok || utf16.DecodeRune(r, low) == utf8.RuneError {
			return false
		}
		i += 6
	}
	return true
}

func hex4(src []byte, at int) (rune, bool) {
	if at+4 > len(src) {
		return 0, false
	}
	v, err := strconv.ParseUint(string(src[at:at+4]), 16, 16)
	return rune(v), err == nil
}

func (s *scanner) number() bool {
	if s.peek() == '-' {
		s.pos++
	}
	switch c := s.peek(); {
	case c == '0':
		s.pos++
	case c >= '1' && c <= '9':
		s.digits()
	default:
		return s.broken("a number has no digits")
	}
	if s.peek() == '.' {
		s.pos++
		if !s.digits() {
			return s.broken("a number has no digits after its point")
		}
	}
	if c := s.peek(); c == 'e' || c == 'E' {
		s.pos++
		if c := s.peek(); c == '+' || c == '-' {
			s.pos++
		}
		if !s.digits() {
			return s.broken("a number has no digits in its exponent")
		}
	}
	return true
}

func (s *scanner) digits() bool {
	start := s.pos
	for c := s.peek(); c >= '0' && c <= '9'; c = s.peek() {
		s.pos++
	}
	return s.pos > start
}

// given reports whether the object whose names begin at outer has this one already. Most objects are small, so their names are a
// list; many is the set of those of a large one.
func (s *scanner) given(name []byte, outer int, many *map[string]struct{}) bool {
	const few = 16
	if *many != nil {
		_, there := (*many)[string(name)]
		if !there {
			(*many)[string(name)] = struct{}{}
		}
		return there
	}
	for _, n := range s.names[outer:] {
		if string(n) == string(name) {
			return true
		}
	}
	s.names = append(s.names, name)
	if len(s.names)-outer == few {
		*many = make(map[string]struct{}, 2*few)
		for _, n := range s.names[outer:] {
			(*many)[string(n)] = struct{}{}
		}
	}
	return false
}

// expression writes a path as FHIRPath. A name that is no element name (it could be anything, even a patient's) ends it.
func expression(path []step) string {
	var b strings.Builder
	for _, p := range path {
		if p.index >= 0 {
			b.WriteString("[" + strconv.Itoa(p.index) + "]")
			continue
		}
		if !elementName(string(p.name)) {
			break
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.Write(p.name)
	}
	return b.String()
}

func elementName(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for i, c := range []byte(s) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || i == 0 && c == '_' || i > 0 && c >= '0' && c <= '9') {
			return false
		}
	}
	return true
}

func skipSpace(src []byte, at int) int {
	for at < len(src) && (src[at] == ' ' || src[at] == '\t' || src[at] == '\n' || src[at] == '\r') {
		at++
	}
	return at
}
