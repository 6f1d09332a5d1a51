package fhir

import (
	"strconv"
	"strings"
	"time"
)

// MaxEntries is how many entries a Bundle may hold.
const MaxEntries = 10_000

// Bundle is a decoded Bundle: its type and its entries in the order they came.
type Bundle struct {
	Type    string
	Entries []Entry
}

// Entry is one Bundle.entry. http://hl7.org/fhir/R4/bundle.html#resource
type Entry struct {
	FullURL     string
	Method      string // request.method; "" where there is no request
	URL         string // request.url
	IfNoneExist string
	IfMatch     string
	// Version is the version id in response.etag, and LastModified is response.lastModified: a history tells with them
	// which version an entry is, also of a deletion, which has no resource.
	Version      string
	LastModified time.Time
	Resource     Resource // zero if none
	HasResource  bool
	Raw          []byte   // the entry as it came
	Fault        *Invalid // the faults of this entry, with paths from the Bundle; nil if it can be read
}

// bundleTypes are the types of R4 (http://hl7.org/fhir/R4/valueset-bundle-type.html), and the one that R4B and R5 use for
// topic notifications.
func bundleTypes() []string {
	return []string{"document", "message", "transaction", "transaction-response", "batch", "batch-response",
		"history", "searchset", "collection", "subscription-notification"}
}

// DecodeBundle reads the entries of a Bundle that came from Decode. The error is an *Invalid where the Bundle itself
// cannot be taken: another resource, no known type, entry not an array, more than MaxEntries. Faults of single entries
// are in Entry.Fault.
func DecodeBundle(r Resource) (Bundle, error) { return readEntries(nil, r, false) }

// DecodeLooseBundle is DecodeBundle with the entries read as DecodeLoose reads.
func DecodeLooseBundle(r Resource) (Bundle, error) { return readEntries(nil, r, true) }

// DecodeWhole is Decode, and DecodeBundle where the resource is a Bundle.
func DecodeWhole(body []byte) (Resource, Bundle, error) { return (*Room)(nil).DecodeWhole(body) }

func readEntries(room *Room, r Resource, loose bool) (Bundle, error) {
	if r.Type != "Bundle" {
		return Bundle{}, &Invalid{[]Issue{{"error", "structure", r.Type, "a Bundle was expected"}}}
	}
	h := headOf(r.Document())
	kind, _ := h.kind.Text()
	b := Bundle{Type: kind}
	var faults []Issue
	switch {
	case !h.kind.Exists():
		faults = append(faults, Issue{"error", "required", "Bundle.type", "a Bundle says its type"})
	case !knownBundleType(b.Type):
		faults = append(faults, Issue{"error", "code-invalid", "Bundle.type", "this is not a type of Bundle"})
	}
	switch {
	case h.entry.Exists() && !h.entry.IsArray():
		faults = append(faults, Issue{"error", "structure", "Bundle.entry", "entry is an array"})
	case h.entry.Len() > MaxEntries:
		faults = append(faults, Issue{"error", "too-costly", "Bundle.entry",
			"a Bundle may hold " + strconv.Itoa(MaxEntries) + " entries; send it in parts"})
	}
	if len(faults) > 0 {
		return Bundle{}, &Invalid{faults}
	}
	b.Entries = room.entriesFor(h.entry.Len())
	for v := range h.entry.inside() {
		b.Entries = append(b.Entries, Entry{})
		readEntry(&b.Entries[len(b.Entries)-1], v, len(b.Entries)-1, loose)
	}
	return b, nil
}

// readEntry reads one entry. In a document without a fault all is known of it; in any other it is read by itself, for its faults.
func readEntry(e *Entry, v Value, index int, loose bool) {
	e.Raw = v.bytes()
	// Written out only where there is something to say.
	path := func() string { return "Bundle.entry[" + strconv.Itoa(index) + "]" }
	if !v.IsObject() {
		e.Fault = &Invalid{[]Issue{{"error", "structure", path(), "an entry is an object"}}}
		return
	}
	var found, faults []Issue
	if !v.in.clean {
		if found = scan(e.Raw); len(found) > 0 {
			faults = rooted(found, path())
		}
		if own := valueOf(e.Raw); own.Exists() {
			v = own
		}
	}
	var fullURL, request, response, resource Value
	for name, value := range v.Members() {
		switch name {
		case "fullUrl":
			fullURL = value
		case "request":
			request = value
		case "response":
			response = value
		case "resource":
			resource = value
		}
	}
	read := func(value Value, at, name string) string {
		s, ok := value.Text()
		if value.Exists() && !ok {
			faults = append(faults, Issue{"error", "structure", path() + at + "." + name, "a string was expected"})
		}
		return s
	}
	object := func(value Value, name string) bool {
		if value.Exists() && !value.IsObject() {
			faults = append(faults, Issue{"error", "structure", path() + "." + name, "an object was expected"})
		}
		return value.IsObject()
	}
	e.FullURL = read(fullURL, "", "fullUrl")
	if object(request, "request") {
		const at = ".request"
		e.Method, e.URL = read(request.last("method"), at, "method"), read(request.last("url"), at, "url")
		e.IfNoneExist, e.IfMatch = read(request.last("ifNoneExist"), at, "ifNoneExist"), read(request.last("ifMatch"), at, "ifMatch")
		if e.Method == "" {
			faults = append(faults, Issue{"error", "required", path() + at + ".method", "a request says its method"})
		}
	}
	if object(response, "response") {
		const at = ".response"
		e.Version = strings.Trim(strings.TrimPrefix(read(response.last("etag"), at, "etag"), "W/"), `"`)
		e.LastModified = parseInstant(read(response.last("lastModified"), at, "lastModified"))
	}
	if !hopeless(found, false) && object(resource, "resource") {
		var own []Issue
		e.Resource, _, own = view(resource, loose)
		e.HasResource = true
		if len(own) > 0 {
			faults = append(faults, rooted(own, path()+".resource")...)
		}
	}
	if len(faults) > 0 {
		e.Fault = &Invalid{faults}
	}
}

func knownBundleType(s string) bool {
	for _, t := range bundleTypes() {
		if t == s {
			return true
		}
	}
	return false
}

// NotificationType gives the type of a topic notification ("handshake", "heartbeat", "event-notification", ...), which
// its first entry tells: a Parameters in R4, a SubscriptionStatus from R4B on. ok is false for any other Bundle.
// Subscriptions R5 Backport, "Notifications": http://hl7.org/fhir/uv/subscriptions-backport/notifications.html
func (b Bundle) NotificationType() (kind string, ok bool) {
	if b.Type != "history" && b.Type != "subscription-notification" || len(b.Entries) == 0 || !b.Entries[0].HasResource {
		return "", false
	}
	switch first := b.Entries[0].Resource; first.Type {
	case "SubscriptionStatus":
		return text(members(first.Raw, "type")["type"]), true
	case "Parameters":
		for _, p := range items(members(first.Raw, "parameter")["parameter"]) {
			m := members(p, "name", "valueCode")
			if text(m["name"]) == "type" {
				return text(m["valueCode"]), true
			}
		}
		return "", true
	}
	return "", false
}
