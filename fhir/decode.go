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
// Raw is body as it came, without a byte order mark and the white space around the document; it shares body's memory.
func Decode(body []byte) (Resource, error) {
	r, _, _, err := decode(body, false)
	return r, err
}

// DecodeLoose is Decode for what is assessed and not stored: a resource whose own status or day is of another JSON kind, or
// whose day is given in two ways, is taken, and the reader is to count that status and that day as unknown. A door refuses it, so
// that the sender hears of it and the version does not take the place of a good one.
func DecodeLoose(body []byte) (Resource, error) {
	r, _, _, err := decode(body, true)
	return r, err
}

// decode is Decode, and gives the head of the resource and whether no byte of the document is at fault as JSON, in the entries of a
// Bundle neither.
func decode(body []byte, loose bool) (r Resource, h head, clean bool, err error) {
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	body = bytes.Trim(body, " \t\r\n")
	found := scan(body)
	if hopeless(found, false) {
		if root := rootOf(body); hopeless(found, root == "Bundle") {
			return Resource{}, head{}, false, &Invalid{Issues: rooted(found, root)}
		}
	}
	clean = len(found) == 0
	r, h, faults := view(body, &former{loose: loose})
	if r.Type == "Bundle" {
		found = outsideEntries(found)
	}
	if all := append(found, faults...); len(all) > 0 {
		return Resource{}, head{}, false, &Invalid{Issues: rooted(all, r.Type)}
	}
	return r, h, clean, nil
}

// view reads the few members that a Resource shows of the scanned document at the beginning of raw, and lists its faults, whose paths
// have no root. f is used afresh; it is an argument so that the entries of a Bundle share its room.
func view(raw []byte, f *former) (Resource, head, []Issue) {
	r := Resource{Raw: raw}
	at := skipSpace(raw, 0)
	if at == len(raw) || raw[at] != '{' {
		return r, head{}, []Issue{{"error", "structure", "", "a resource is a JSON object"}}
	}
	first := typeAt(raw, at)
	kind := typeName(first)
	f.begin(raw)
	end := f.resource(kind, at)
	if last := f.head.named; !bytes.Equal(last, first) {
		kind = text(last)
		f.begin(raw)
		f.resource(kind, at)
	}
	r.Raw = raw[:end]
	faults := r.show(f.head, kind)
	if r.Type == "" {
		return r, f.head, faults
	}
	return r, f.head, append(faults, f.issues...)
}

// typeAt gives the resource's type where it is named first, as senders do; else "".
func typeAt(raw []byte, at int) []byte {
	if at = skipSpace(raw, at+1); at == len(raw) || raw[at] != '"' {
		return nil
	}
	name, at, ok := nameAt(raw, at)
	if !ok || string(name) != "resourceType" {
		return nil
	}
	if at = skipSpace(raw, at); at == len(raw) || raw[at] != ':' {
		return nil
	}
	at = skipSpace(raw, at+1)
	return raw[at:valueEnd(raw, at)]
}

// typeName is text for a resourceType, without a copy of those that are common.
func typeName(raw []byte) string {
	switch string(raw) {
	case `"Observation"`:
		return "Observation"
	case `"Condition"`:
		return "Condition"
	case `"Procedure"`:
		return "Procedure"
	case `"Encounter"`:
		return "Encounter"
	case `"MedicationRequest"`:
		return "MedicationRequest"
	case `"MedicationAdministration"`:
		return "MedicationAdministration"
	case `"DiagnosticReport"`:
		return "DiagnosticReport"
	case `"Patient"`:
		return "Patient"
	case `"Device"`:
		return "Device"
	}
	return text(raw)
}

// show reads what the members of a head say, of which kind is the type, and lists their faults.
func (r *Resource) show(h head, kind string) []Issue {
	var faults []Issue
	named, id, meta := h.named, h.id, h.meta
	switch {
	case named == nil:
		faults = append(faults, Issue{"error", "required", "resourceType", "a resource names its resourceType"})
	case !validType(kind) || len(kind) > 64:
		faults = append(faults, Issue{"error", "value", "resourceType", "this is not the name of a resource type"})
	default:
		r.Type = kind
	}
	if id != nil {
		said, ok := textOf(id)
		if !ok || !ValidID(said) {
			faults = append(faults, Issue{"error", "value", "id", "an id is 1 to 64 letters, digits, hyphens and full stops"})
		}
		r.ID = said
	}
	switch kindOf(meta) {
	case 0:
	case '{':
		var version, updated []byte
		each(meta, func(name, value []byte) {
			switch string(name) {
			case "versionId":
				version = value
			case "lastUpdated":
				updated = value
			}
		})
		read := func(name string, value []byte) string {
			s, ok := textOf(value)
			if value != nil && !ok {
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
