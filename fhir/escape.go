package fhir

import (
	"bytes"
	"strconv"
	"unicode/utf8"
)

// Unescaped writes the escapes of JSON (RFC 8259, section 7) as the characters that they stand for, wherever they are: for bytes
// that need not be JSON and are only looked through for words. Without a backslash the bytes are given back as they are; a
// half of a surrogate pair and what is no escape become U+FFFD or stay.
func Unescaped(body []byte) []byte {
	if !bytes.ContainsRune(body, '\\') {
		return body
	}
	out := make([]byte, 0, len(body))
	for rest := body; len(rest) > 0; {
		at := bytes.IndexByte(rest, '\\')
		if at < 0 || at == len(rest)-1 {
			return append(out, rest...)
		}
		out, rest = append(out, rest[:at]...), rest[at+1:]
		c := rest[0]
		switch c {
		case 'n', 't', 'r', 'b', 'f':
			out, rest = append(out, ' '), rest[1:]
		case 'u':
			if len(rest) >= 5 {
				if r, err := strconv.ParseUint(string(rest[1:5]), 16, 16); err == nil {
					out, rest = utf8.AppendRune(out, rune(r)), rest[5:]
					continue
				}
			}
			out, rest = append(out, '\\', 'u'), rest[1:]
		case '"', '\\', '/':
			out, rest = append(out, c), rest[1:]
		default:
			out = append(out, '\\')
		}
	}
	return out
}
