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
		name, end, ok := nameAt(raw, at)
		at = skipSpace(raw, end)
		if !ok || at >= len(raw) || raw[at] != ':' {
			return
		}
		from := skipSpace(raw, at+1)
		end = valueEnd(raw, from)
		f(name, raw[from:end])
		at = skipSpace(raw, end)
		if at >= len(raw) || raw[at] != ',' {
			return
		}
	}
}

// items gives the elements of the array raw.
func items(raw []byte) [][]byte {
	if kindOf(raw) != '[' {
		return nil
	}
	var out [][]byte
	for at := skipSpace(raw, 0) + 1; ; at++ {
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

// nameAt reads the member's name at at and gives the place after it; without a copy where it has no escapes.
func nameAt(raw []byte, at int) (name []byte, end int, ok bool) {
	if end = plainEnd(raw, at+1); end < len(raw) && raw[end] == '"' {
		return raw[at+1 : end], end + 1, true
	}
	end = valueEnd(raw, at)
	s, ok := textOf(raw[at:end])
	return []byte(s), end, ok
}

// valueEnd gives the place after the value that starts at at.
func valueEnd(raw []byte, at int) int {
	depth := 0
	for at < len(raw) {
		switch raw[at] {
		case '"':
			for at = plainEnd(raw, at+1); at < len(raw) && raw[at] != '"'; at = plainEnd(raw, at) {
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

// plainEnd gives the first place from at on that does not hold plain text: a quote, a backslash, a control character or what is not
// ASCII; the end of raw where there is none. It looks at eight bytes at once, because nearly all of a document is plain text.
func plainEnd(raw []byte, at int) int {
	const ones, tops = 0x0101010101010101, 0x8080808080808080
	for ; at+8 <= len(raw); at += 8 {
		b := raw[at : at+8 : at+8]
		w := uint64(b[0]) | uint64(b[1])<<8 | uint64(b[2])<<16 | uint64(b[3])<<24 | uint64(b[4])<<32 | uint64(b[5])<<40 | uint64(b[6])<<48 | uint64(b[7])<<56
		quote, slash := w^'"'*ones, w^'\\'*ones
		// A byte's top bit is set where it is zero after the xor, below the blank, or not ASCII. A borrow can set only bits above
		// the lowest that is set, which is the one that is used.
		found := ((quote-ones)&^quote | (slash-ones)&^slash | (w-' '*ones)&^w | w) & tops
		if found == 0 {
			continue
		}
		if found&0xffffffff == 0 {
			at, found = at+4, found>>32
		}
		if found&0xffff == 0 {
			at, found = at+2, found>>16
		}
		if found&0xff == 0 {
			at++
		}
		return at
	}
	for at < len(raw) {
		if c := raw[at]; c < ' ' || c == '"' || c == '\\' || c >= 0x80 {
			break
		}
		at++
	}
	return min(at, len(raw))
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
	return raw[0] == '"' && len(raw) >= 2 && plainEnd(raw, 1) == len(raw)-1 && raw[len(raw)-1] == '"'
}

// text reads a JSON string, and gives "" for any other value.
func text(raw []byte) string {
	s, _ := textOf(raw)
	return s
}
