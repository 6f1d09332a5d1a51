package fhir

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"dwellwatch/internal/fault"
)

// Error names how many faults there are and where the first one is; it holds no patient data.
func (e *Invalid) Error() string {
	if len(e.Issues) == 0 {
		return fault.Invalid.Error()
	}
	first := e.Issues[0]
	where := ""
	if first.Expression != "" {
		where = first.Expression + ": "
	}
	if more := len(e.Issues) - 1; more > 0 {
		return fmt.Sprintf("%v: %s%s (and %d more)", fault.Invalid, where, first.Text, more)
	}
	return fmt.Sprintf("%v: %s%s", fault.Invalid, where, first.Text)
}

// Unwrap gives fault.Invalid.
func (e *Invalid) Unwrap() error { return fault.Invalid }

// Decode reads one resource. The error is an *Invalid that lists every fault, each with its element path: not JSON, more
// than one document, not UTF-8, a member given twice, nesting over 64 levels, no or an impossible resourceType, an
// impossible id, a meta that is no object, an element that is read and of another JSON kind than FHIR gives it, two types
// of one choice.
//
// It does not judge codes or dates: a resource with a status nobody knows is readable, and later layers say what they
// could not use. Warnings tells the sender. In a Bundle, faults inside an entry are left to DecodeBundle, so that one
// bad entry of a batch does not take the others with it.
//
// Raw is body as it came, without a byte order mark and the white space around the document. It shares body's memory, and so do the texts
// that are read from it: whoever has handed a body over does not write into it any more.
func Decode(body []byte) (Resource, error) { return decode(nil, body, false) }

// DecodeLoose is Decode for what is assessed and not stored: a resource whose own status or day is of another JSON kind, or
// whose day is given in two ways, is taken, and the reader is to count that status and that day as unknown. A door refuses it, so
// that the sender hears of it and the version does not take the place of a good one.
func DecodeLoose(body []byte) (Resource, error) { return decode(nil, body, true) }

// decode reads a document through once. Only where anything is at fault it is read again, for the faults.
func decode(room *Room, body []byte, loose bool) (Resource, error) {
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	body = bytes.Trim(body, " \t\r\n")
	doc := room.valueOf(body)
	var found []Issue
	if doc.in == nil || !doc.in.clean {
		if found = scan(body); doc.in == nil || hopeless(found, false) {
			if root := rootOf(body); doc.in == nil || hopeless(found, root == "Bundle") {
				return Resource{}, &Invalid{Issues: rooted(found, root)}
			}
		}
	}
	r, _, faults := view(doc, loose)
	if r.Type == "Bundle" {
		found = outsideEntries(found)
	}
	if all := append(found, faults...); len(all) > 0 {
		return Resource{}, &Invalid{Issues: rooted(all, r.Type)}
	}
	return r, nil
}

// view reads the few members that a Resource shows, and lists the faults of the resource, whose paths have no root.
func view(doc Value, loose bool) (Resource, head, []Issue) {
	r := Resource{Raw: doc.bytes(), doc: doc}
	if !doc.IsObject() {
		return r, head{}, []Issue{{"error", "structure", "", "a resource is a JSON object"}}
	}
	h := headOf(doc)
	kind, _ := h.named.Text()
	faults := r.show(h, kind)
	if r.Type == "" {
		return r, h, faults
	}
	f := former{root: doc, loose: loose}
	f.resource(kind)
	return r, h, append(faults, f.issues...)
}

// show reads what the members of a head say, of which kind is the type, and lists their faults.
func (r *Resource) show(h head, kind string) []Issue {
	var faults []Issue
	switch {
	case !h.named.Exists():
		faults = append(faults, Issue{"error", "required", "resourceType", "a resource names its resourceType"})
	case !validType(kind) || len(kind) > 64:
		faults = append(faults, Issue{"error", "value", "resourceType", "this is not the name of a resource type"})
	default:
		r.Type = kind
	}
	if h.id.Exists() {
		said, ok := h.id.Text()
		if !ok || !ValidID(said) {
			faults = append(faults, Issue{"error", "value", "id", "an id is 1 to 64 letters, digits, hyphens and full stops"})
		}
		r.ID = said
	}
	switch h.meta.Kind() {
	case 0:
	case '{':
		var version, updated Value
		for name, value := range h.meta.Members() {
			switch name {
			case "versionId":
				version = value
			case "lastUpdated":
				updated = value
			}
		}
		read := func(name string, value Value) string {
			s, ok := value.Text()
			if value.Exists() && !ok {
				faults = append(faults, Issue{"error", "structure", "meta." + name, "a string was expected"})
			}
			return s
		}
		r.VersionID = read("versionId", version)
		if s := read("lastUpdated", updated); s != "" {
			r.LastUpdated = parseInstant(s)
		}
	default:
		faults = append(faults, Issue{"error", "structure", "meta", "meta is an object"})
	}
	return faults
}

// parseInstant reads an instant and gives the zero time for what is none.
func parseInstant(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return time.Time{}
	}
	return t
}

// hopeless reports a fault behind which nothing can be read. Nesting inside an entry of a Bundle is the entry's alone.
func hopeless(found []Issue, bundle bool) bool {
	for _, i := range found {
		if i.Severity == "fatal" && !(bundle && i.Text == tooDeep && strings.HasPrefix(i.Expression, "entry[")) {
			return true
		}
	}
	return false
}

// rootOf guesses the type of a document that cannot be read to its end, for the paths of its faults.
func rootOf(raw []byte) string {
	if typ := text(member(raw, "resourceType")); validType(typ) && len(typ) <= 64 {
		return typ
	}
	return ""
}

// rooted puts root before every path; "Resource" stands in where the type is not known.
func rooted(issues []Issue, root string) []Issue {
	if root == "" {
		root = "Resource"
	}
	out := make([]Issue, len(issues))
	for n, i := range issues {
		switch {
		case i.Expression == "":
			i.Expression = root
		case strings.HasPrefix(i.Expression, "["):
			i.Expression = root + i.Expression
		default:
			i.Expression = root + "." + i.Expression
		}
		out[n] = i
	}
	return out
}

func outsideEntries(issues []Issue) []Issue {
	var out []Issue
	for _, i := range issues {
		if !strings.HasPrefix(i.Expression, "entry[") {
			out = append(out, i)
		}
	}
	return out
}
