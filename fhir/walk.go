package fhir

import "encoding/json"

// The functions of this file read parts of a document that scan has passed. encoding/json is not used on objects because
// it takes "Entry" for "entry"; FHIR names are case-sensitive. On other input they stop early, they do not panic.

// each calls f for every member of the object raw, in order. name is only good during the call.
func each(raw []byte, f func(name, value []byte)) {
	at := skipSpace(raw, 0)
	if at == len(raw) || raw[at] != '{' {
		return
	}
	for at++; ; at++ {
		at = skipSpace(raw, at)
		if at >= len(raw) || raw[at] != '"' {
			return
		}
		end := valueEnd(raw, at)
		name, ok := nameOf(raw[at:end])
		at = skipSpace(raw, end)
		if !ok || at >= len(raw) || raw[at] != ':' {
			return
		}
		at = skipSpace(raw, at+1)
		end = valueEnd(raw, at)
		f(name, raw[at:end])
		at = skipSpace(raw, end)
		if at >= len(raw) || raw[at] != ',' {
			return
		}
	}
}

// items gives the elements of the array raw.
func items(raw []byte) [][]byte {
	at := skipSpace(raw, 0)
	if kindOf(raw) != '[' {
		return nil
	}
	var out [][]byte
	for at++; ; at++ {
		at = skipSpace(raw, at)
		if at >= len(raw) || raw[at] == ']' {
			return out
		}
		end := valueEnd(raw, at)
		out = append(out, raw[at:end])
		at = skipSpace(raw, end)
		if at >= len(raw) || raw[at] != ',' {
			return out
		}
	}
}

// members gives the values of the named members of the object raw; nil for one that is missing.
func members(raw []byte, wanted ...string) map[string][]byte {
	out := make(map[string][]byte, len(wanted))
	each(raw, func(name, value []byte) {
		for _, w := range wanted {
			if w == string(name) {
				out[w] = value
			}
		}
	})
	return out
}

// member gives the value of one member of the object raw; nil where it is missing.
func member(raw []byte, wanted string) []byte {
	var out []byte
	each(raw, func(name, value []byte) {
		if wanted == string(name) {
			out = value
		}
	})
	return out
}

// nameOf reads a member's name, without a copy where it has no escapes.
func nameOf(raw []byte) ([]byte, bool) {
	if kindOf(raw) != '"' {
		return nil, false
	}
	if isPlain(raw) {
		return raw[1 : len(raw)-1], true
	}
	s, ok := textOf(raw)
	return []byte(s), ok
}

// valueEnd gives the place after the value that starts at at.
func valueEnd(raw []byte, at int) int {
	depth := 0
	for at < len(raw) {
		switch raw[at] {
		case '"':
			at++
			for at < len(raw) && raw[at] != '"' {
				if raw[at] == '\\' {
					at++
				}
				at++
			}
		case '{', '[':
			depth++
		case '}', ']':
			if depth == 0 {
				return at
			}
			depth--
		default:
			if depth > 0 {
				at++
				continue
			}
			for at < len(raw) && raw[at] != ',' && raw[at] != '}' && raw[at] != ']' && raw[at] != ':' && skipSpace(raw, at) == at {
				at++
			}
			return at
		}
		at++
		if depth == 0 {
			return min(at, len(raw))
		}
	}
	return len(raw)
}

// kindOf gives the first byte of a value: '{', '[', '"', 't', 'f', 'n', a digit, a minus, or 0 where there is none.
func kindOf(raw []byte) byte {
	if at := skipSpace(raw, 0); at < len(raw) {
		return raw[at]
	}
	return 0
}

// textOf reads a JSON string; ok is false for any other value.
func textOf(raw []byte) (string, bool) {
	if kindOf(raw) != '"' {
		return "", false
	}
	if s, ok := plain(raw); ok {
		return s, true
	}
	var s string
	if err := json.Unmarshal(raw, &s); err != nil {
		return "", false
	}
	return s, true
}

// plain reads a string without escapes, as nearly all names and codes are, at the cost of one copy.
func plain(raw []byte) (string, bool) {
	if !isPlain(raw) {
		return "", false
	}
	return string(raw[1 : len(raw)-1]), true
}

func isPlain(raw []byte) bool {
	if raw[0] != '"' || len(raw) < 2 || raw[len(raw)-1] != '"' {
		return false
	}
	for _, c := range raw[1 : len(raw)-1] {
		if c < 0x20 || c == '"' || c == '\\' || c >= 0x80 {
			return false
		}
	}
	return true
}

// text reads a JSON string, and gives "" for any other value.
func text(raw []byte) string {
	s, _ := textOf(raw)
	return s
}
