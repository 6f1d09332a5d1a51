package postgres

import (
	"bytes"
	"encoding/json"
	"regexp"
	"unicode/utf8"
)

// maxDepth bounds the nesting of what is offered to jsonb, whose reader recurses.
const maxDepth = 200

// longNumber finds numbers that jsonb may refuse, by their exponent or their digits: it takes 131072 digits before the point and
// 16383 after it. https://www.postgresql.org/docs/current/datatype-numeric.html
var longNumber = regexp.MustCompile(`[0-9][eE][+-]?[0-9]{4,}|[0-9]{1000}`)

// queryable gives content as jsonb takes it, or nil where jsonb refuses it: the zero character, halves of surrogate pairs,
// invalid UTF-8, huge numbers, deep nesting. When in doubt it gives nil, because a faithful copy lies beside it. (Which
// escapes are refused: https://www.postgresql.org/docs/current/datatype-json.html.)
func queryable(raw []byte) []byte {
	if !utf8.Valid(raw) || !json.Valid(raw) || depth(raw) > maxDepth || longNumber.Match(raw) {
		return nil
	}
	lower := bytes.ToLower(raw)
	for _, escape := range []string{`\u0000`, `\ud8`, `\ud9`, `\uda`, `\udb`, `\udc`, `\udd`, `\ude`, `\udf`} {
		if bytes.Contains(lower, []byte(escape)) {
			return nil
		}
	}
	return raw
}

// depth gives the deepest nesting of valid JSON.
func depth(raw []byte) int {
	open, deepest, text, escaped := 0, 0, false, false
	for _, c := range raw {
		switch {
		case escaped:
			escaped = false
		case text && c == '\\':
			escaped = true
		case c == '"':
			text = !text
		case text:
		case c == '{' || c == '[':
			open++
			deepest = max(deepest, open)
		case c == '}' || c == ']':
			open--
		}
	}
	return deepest
}
