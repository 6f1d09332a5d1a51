package api

import (
	"cmp"
	"strings"

	"dwellwatch/fhir"

	"github.com/google/uuid"
)

// kind says what is to be done with one request or Bundle entry.
type kind int

const (
	answered kind = iota // nothing more: the answer is ready
	keep                 // the resource goes to the screen
	remove               // type and id go to the store as a deletion
	faulty               // it cannot be read
)

// step is one request, or one entry of a Bundle, on its way.
type step struct {
	kind     kind
	path     string // FHIRPath of the resource: "Procedure", or "Bundle.entry[3].resource"
	fullURL  string
	resource fhir.Resource
	raw      []byte // the entry as it came, for the quarantine
	verbs    string // letters of which the scope must have one; "" for those of kind
	faults   []fhir.Issue
	notes    []fhir.Issue // warnings for what is kept
	answer   answer

	temporary bool   // the id is made of the temporary name
	sent      []byte // the resource's bytes before references by temporary names were resolved; nil where there were none
	toldBy    string // FHIRPath of what tells LastUpdated; "" for the resource's meta
	clash     bool   // the temporary name is that of somebody else's entry: it is refused
}

// fail makes the step faulty.
func (st step) fail(code, expression, text string) step {
	st.kind = faulty
	st.faults = append(st.faults, fhir.Issue{Severity: "error", Code: code, Expression: expression, Text: text})
	return st
}

// ready makes the step answered.
func (st step) ready(status int, severity, code, expression, text string) step {
	st.kind = answered
	st.answer = answer{status: status, fate: fateIgnored,
		issues: []fhir.Issue{{Severity: severity, Code: code, Expression: expression, Text: text}}}
	return st
}

func (st step) informed(text string) step {
	return st.ready(200, "information", "informational", "", text)
}

// target is what a URL at the doors names.
type target struct {
	Type, ID, Version string
	conditional       bool   // a search stands where the id should be
	operation         bool   // $operation, _search, _history: nothing that delivers a resource
	path              string // FHIRPath of the URL where it stands in a Bundle
}

// parseTarget reads a request URL of a Bundle entry: relative to the base, with or without a leading slash, or absolute
// below base. ok is false where it is none of these.
func parseTarget(url, base string) (t target, ok bool) {
	url, query, searched := strings.Cut(url, "?")
	if strings.Contains(url, "://") {
		if url, ok = cutBase(url, base); !ok {
			return target{}, false
		}
	}
	parts := strings.Split(strings.Trim(url, "/"), "/")
	t.Type = parts[0]
	if strings.HasPrefix(parts[len(parts)-1], "$") || len(parts) > 1 && strings.HasPrefix(parts[1], "_") {
		return target{operation: true}, true
	}
	switch len(parts) {
	case 1:
		t.conditional = searched && query != ""
		return t, t.Type != ""
	case 2:
	case 4:
		if parts[2] != "_history" {
			return target{}, false
		}
		t.Version = parts[3]
	default:
		return target{}, false
	}
	t.ID = parts[1]
	return t, fhir.ValidID(t.ID)
}

// cutBase takes base off an absolute URL; the scheme does not count (http://hl7.org/fhir/R4/http.html#general).
func cutBase(url, base string) (rest string, ok bool) {
	_, root, known := strings.Cut(base, "://")
	if !known {
		return "", false
	}
	_, url, _ = strings.Cut(url, "://")
	return strings.CutPrefix(url, root+"/")
}

// put plans a resource that a request puts at t.
func put(feed, base string, st step, t target) step {
	r := st.resource
	switch {
	case t.Type != "" && r.Type != t.Type:
		return st.fail("invalid", st.path+".resourceType", "the resource is not of the type that the URL names")
	case t.ID != "" && r.ID != "" && r.ID != t.ID:
		return st.fail("invalid", st.path+".id", "the resource has another id than the URL")
	case t.conditional && r.ID == "":
		return st.ready(400, "error", "not-supported", cmp.Or(t.path, st.path),
			"a conditional update is not supported: this service listens and cannot search; send the resource with its id")
	}
	if r.ID == "" {
		r.ID = t.ID
	}
	if r.VersionID == "" {
		r.VersionID = t.Version
	}
	if r.ID == "" {
		if named, ok := ownName(st.fullURL, base); ok && named.Type == r.Type {
			r.ID = named.ID
		}
	}
	if r.ID == "" {
		r.ID, st.temporary = madeID(feed, st.fullURL, r.Raw), isTemporary(st.fullURL)
	}
	st.kind, st.resource = keep, r
	return st.ignoring(r.Type, st.path)
}

// ignoring plans no more for a type that the doors have no use for, and refuses one that R4 does not have. path is where the type
// stands.
func (st step) ignoring(resourceType, path string) step {
	switch {
	case kept(resourceType):
		return st
	case !fhir.KnownType(resourceType):
		return st.fail("not-supported", path, fhir.NotR4)
	}
	return st.informed(ignoredText(resourceType))
}

func ignoredText(resourceType string) string {
	if resourceType == "Bundle" {
		return "a Bundle as a resource is not kept; to deliver its entries, post it to the base"
	}
	return "this service has no use for resources of this type; nothing was kept"
}

// ownName reads a fullUrl below the feed's own base.
func ownName(fullURL, base string) (fhir.Reference, bool) {
	r := fhir.ParseReference(fullURL)
	return r, r.Base != "" && r.Local(base) != ""
}

// madeID gives the id of a resource that came without one: the same for the same temporary name (urn:uuid:...) or, where
// there is none, for the same bytes, so that a delivery sent twice is one resource.
func madeID(feed, fullURL string, raw []byte) string {
	name := raw
	if isTemporary(fullURL) {
		name = []byte(fullURL)
	}
	return uuid.NewSHA1(feedSpace(feed), name).String()
}

// isTemporary reports whether a fullUrl is a name that means something only inside its Bundle.
func isTemporary(fullURL string) bool { return strings.HasPrefix(fullURL, "urn:") }

// del plans a deletion.
func del(st step, t target) step {
	switch {
	case t.ID == "":
		return st.ready(400, "error", "not-supported", cmp.Or(t.path, t.Type),
			"a conditional delete is not supported: this service listens and cannot search; delete by id")
	case !kept(t.Type):
		return st.ignoring(t.Type, cmp.Or(t.path, "Resource"))
	}
	st.kind = remove
	st.resource = fhir.Resource{Type: t.Type, ID: t.ID, VersionID: t.Version}
	return st
}
