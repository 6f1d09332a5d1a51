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
func DecodeBundle(r Resource) (Bundle, error) {
	if r.Type != "Bundle" {
		return Bundle{}, &Invalid{[]Issue{{"error", "structure", r.Type, "a Bundle was expected"}}}
	}
	m := members(r.Raw, "type", "entry")
	b := Bundle{Type: text(m["type"])}
	var faults []Issue
	switch {
	case m["type"] == nil:
		faults = append(faults, Issue{"error", "required", "Bundle.type", "a Bundle says its type"})
	case !knownBundleType(b.Type):
		faults = append(faults, Issue{"error", "code-invalid", "Bundle.type", "this is not a type of Bundle"})
	}
	if m["entry"] != nil && kindOf(m["entry"]) != '[' {
		faults = append(faults, Issue{"error", "structure", "Bundle.entry", "entry is an array"})
	}
	entries := items(m["entry"])
	if len(entries) > MaxEntries {
		faults = append(faults, Issue{"error", "too-costly", "Bundle.entry",
			"a Bundle may hold " + strconv.Itoa(MaxEntries) + " entries; send it in parts"})
	}
	if len(faults) > 0 {
		return Bundle{}, &Invalid{faults}
	}
	b.Entries = make([]Entry, len(entries))
	for i, raw := range entries {
		b.Entries[i] = decodeEntry(raw, "Bundle.entry["+strconv.Itoa(i)+"]")
	}
	return b, nil
}

func decodeEntry(raw []byte, path string) Entry {
	e := Entry{Raw: raw}
	if kindOf(raw) != '{' {
		e.Fault = &Invalid{[]Issue{{"error", "structure", path, "an entry is an object"}}}
		return e
	}
	found := scan(raw)
	faults := rooted(found, path)
	read := func(object []byte, at, name string) string {
		value := members(object, name)[name]
		s, ok := textOf(value)
		if value != nil && !ok {
			faults = append(faults, Issue{"error", "structure", at + "." + name, "a string was expected"})
		}
		return s
	}
	object := func(name string) []byte {
		value := members(raw, name)[name]
		if value != nil && kindOf(value) != '{' {
			faults = append(faults, Issue{"error", "structure", path + "." + name, "an object was expected"})
			return nil
		}
		return value
	}
	e.FullURL = read(raw, path, "fullUrl")
	if request := object("request"); request != nil {
		at := path + ".request"
		e.Method, e.URL = read(request, at, "method"), read(request, at, "url")
		e.IfNoneExist, e.IfMatch = read(request, at, "ifNoneExist"), read(request, at, "ifMatch")
		if e.Method == "" {
			faults = append(faults, Issue{"error", "required", at + ".method", "a request says its method"})
		}
	}
	if response := object("response"); response != nil {
		at := path + ".response"
		e.Version = strings.Trim(strings.TrimPrefix(read(response, at, "etag"), "W/"), `"`)
		e.LastModified = parseInstant(read(response, at, "lastModified"))
	}
	if hopeless(found, false) {
		e.Fault = &Invalid{faults}
		return e
	}
	if resource := object("resource"); resource != nil {
		r, own := view(resource)
		e.Resource, e.HasResource = r, true
		faults = append(faults, rooted(own, path+".resource")...)
	}
	if len(faults) > 0 {
		e.Fault = &Invalid{faults}
	}
	return e
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
