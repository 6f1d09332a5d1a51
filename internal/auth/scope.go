package auth

import (
	"slices"
	"strings"
)

// scopes are the scopes that a token was granted.
type scopes []string

// has reports a scope by its whole name.
func (s scopes) has(name string) bool { return slices.Contains(s, name) }

// allow reports whether any of the letters of verbs ("c", "u", "d") is granted for a resource type at system level. Where typ is ""
// a grant for any type will do.
func (s scopes) allow(typ, verbs string) bool {
	return slices.ContainsFunc(s, func(one string) bool {
		of, letters, ok := smart(one)
		return ok && (typ == "" || of == "*" || of == typ) && strings.ContainsAny(letters, verbs)
	})
}

// smart reads system/Type.letters. The words of version 1 are read as version 2 explains them; a scope that a search narrows is
// passed over, because a listener cannot tell whether it covers what is delivered.
// https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html
func smart(scope string) (typ, letters string, ok bool) {
	rest, ok := strings.CutPrefix(scope, "system/")
	if !ok || strings.Contains(rest, "?") {
		return "", "", false
	}
	typ, letters, ok = strings.Cut(rest, ".")
	if !ok || typ == "" {
		return "", "", false
	}
	switch letters {
	case "write":
		return typ, "cud", true
	case "read":
		return typ, "rs", true
	case "*":
		return typ, "cruds", true
	}
	// The letters stand in one order, each at most once.
	at := -1
	for _, r := range letters {
		next := strings.IndexRune("cruds", r)
		if next <= at {
			return "", "", false
		}
		at = next
	}
	return typ, letters, letters != ""
}
