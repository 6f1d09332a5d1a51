package sandbox

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/tidwall/gjson"
)

const (
	pageSize    = 50  // entries on a page where the search names no _count
	maxPageSize = 500 // entries on a page at most
)

// query is one search within a type: every criterion must hold.
type query struct {
	typ   string
	holds []func(e entry) bool
	count int
	used  url.Values // the parameters that were understood, for the self link
}

// parseQuery reads search parameters. One that is not known is left out, and then it is missing in the self link as R4
// asks (search.html#errors); strict refuses it instead.
func parseQuery(typ string, params url.Values, base string, strict bool) (query, error) {
	q := query{typ: typ, count: pageSize, used: url.Values{}}
	for name, values := range params {
		for _, value := range values {
			holds, ok := criterion(typ, name, value, base)
			switch {
			case name == "_count":
				n, err := strconv.Atoi(value)
				if err != nil || n < 0 {
					return query{}, refuse(http.StatusBadRequest, "invalid", "_count is not a number")
				}
				q.count = min(max(n, 1), maxPageSize)
			case ok:
				q.holds = append(q.holds, holds)
			case strict:
				return query{}, refuse(http.StatusBadRequest, "not-supported", "the search parameter "+name+" is not known for "+typ)
			default:
				continue
			}
			q.used.Add(name, value)
		}
	}
	return q, nil
}

// criterion gives the test for one parameter; a comma in value means "or". ok is false for a parameter not known.
func criterion(typ, name, value, base string) (holds func(e entry) bool, ok bool) {
	options := split(value, ',')
	path, subject := patientPath(typ)
	switch {
	case name == "_id":
		return func(e entry) bool { return slices.Contains(options, e.key.id) }, true
	case name == "identifier":
		return func(e entry) bool { return anyToken(e, options) }, true
	case name == "status":
		return func(e entry) bool { return slices.Contains(options, gjson.GetBytes(e.body, "status").String()) }, true
	case name == "patient" && path != "", name == "subject" && subject:
		for i, o := range options {
			if o = local(o, base); !strings.Contains(o, "/") {
				o = "Patient/" + o
			}
			options[i] = o
		}
		return func(e entry) bool { return anyReference(e, path, options, base) }, true
	case name == "target" && typ == "Provenance":
		for i, o := range options {
			options[i] = local(o, base)
		}
		return func(e entry) bool { return anyReference(e, path, options, base) }, true
	}
	return nil, false
}

// find gives the resources that match q in the order of their creation.
func (v *view) find(q query) []entry {
	var out []entry
	for _, e := range v.all(q.typ) {
		if !slices.ContainsFunc(q.holds, func(holds func(entry) bool) bool { return !holds(e) }) {
			out = append(out, e)
		}
	}
	return out
}

// one gives the single match of a conditional request; found is false where nothing matches, and several give 412.
func (v *view) one(typ, conditions, base string) (e entry, found bool, err error) {
	_, conditions, _ = strings.Cut("?"+strings.TrimPrefix(strings.TrimPrefix(conditions, typ), "?"), "?")
	params, err := url.ParseQuery(conditions)
	if err != nil || len(params) == 0 {
		return entry{}, false, refuse(http.StatusBadRequest, "invalid", "the condition is not a search")
	}
	q, err := parseQuery(typ, params, base, true)
	if err != nil {
		return entry{}, false, err
	}
	hits := v.find(q)
	switch len(hits) {
	case 0:
		return entry{}, false, nil
	case 1:
		return hits[0], true, nil
	}
	return entry{}, false, refuse(http.StatusPreconditionFailed, "multiple-matches", "the condition matches more than one "+typ)
}

// anyToken tests identifiers: "value" in any system, "system|value", "|value" without a system, "system|" for any value
// (http://hl7.org/fhir/R4/search.html#token).
func anyToken(e entry, options []string) bool {
	identifiers := gjson.GetBytes(e.body, "identifier").Array()
	if m := gjson.GetBytes(e.body, "masterIdentifier"); m.Exists() {
		identifiers = append(identifiers, m)
	}
	return slices.ContainsFunc(options, func(option string) bool {
		parts := split(option, '|')
		return slices.ContainsFunc(identifiers, func(id gjson.Result) bool {
			system, value := id.Get("system").String(), id.Get("value").String()
			switch {
			case len(parts) == 1:
				return value == unescape(parts[0])
			case parts[1] == "":
				return system == unescape(parts[0]) && system != ""
			}
			return system == unescape(parts[0]) && value == unescape(parts[1])
		})
	})
}

// anyReference tests whether one of the references at path is one of wanted ("Type/id").
func anyReference(e entry, path string, wanted []string, base string) bool {
	found := gjson.GetBytes(e.body, path)
	if !found.Exists() {
		return false
	}
	return slices.ContainsFunc(found.Array(), func(r gjson.Result) bool { return slices.Contains(wanted, local(r.String(), base)) })
}

// local gives a reference below our own base in its short form, without the version it may name.
func local(reference, base string) string {
	reference, _, _ = strings.Cut(reference, "/_history/")
	if base != "" {
		reference = strings.TrimPrefix(reference, base+"/")
	}
	return reference
}

// split cuts s at each sep that no backslash escapes, and leaves the escapes in (search.html#escaping).
func split(s string, sep byte) []string {
	var out []string
	start := 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '\\':
			i++
		case sep:
			out = append(out, s[start:i])
			start = i + 1
		}
	}
	return append(out, s[start:])
}

func unescape(s string) string {
	return strings.NewReplacer(`\\`, `\`, `\,`, `,`, `\|`, `|`, `\$`, `$`).Replace(s)
}
