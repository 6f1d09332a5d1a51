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
func DecodeBundle(r Resource) (Bundle, error) { return readEntries(r, false) }

// DecodeLooseBundle is DecodeBundle with the entries read as DecodeLoose reads.
func DecodeLooseBundle(r Resource) (Bundle, error) { return readEntries(r, true) }

func readEntries(r Resource, loose bool) (Bundle, error) {
	var h head
	if r.Type == "Bundle" {
		each(r.Raw, h.note)
	}
	return readBundle(r, h, false, loose)
}

// DecodeWhole is Decode, and DecodeBundle where the resource is a Bundle, for less than both by themselves: what was read through
// once without a fault is not read through again.
func DecodeWhole(body []byte) (Resource, Bundle, error) {
	r, h, clean, err := decode(body, false)
	if err != nil || r.Type != "Bundle" {
		return r, Bundle{}, err
	}
	b, err := readBundle(r, h, clean, false)
	return r, b, err
}

// readBundle reads a Bundle with this head; clean says that no byte of it is at fault as JSON.
func readBundle(r Resource, h head, clean, loose bool) (Bundle, error) {
	if r.Type != "Bundle" {
		return Bundle{}, &Invalid{[]Issue{{"error", "structure", r.Type, "a Bundle was expected"}}}
	}
	b := Bundle{Type: text(h.kind)}
	var faults []Issue
	switch {
	case h.kind == nil:
		faults = append(faults, Issue{"error", "required", "Bundle.type", "a Bundle says its type"})
	case !knownBundleType(b.Type):
		faults = append(faults, Issue{"error", "code-invalid", "Bundle.type", "this is not a type of Bundle"})
	}
	if h.entry != nil && kindOf(h.entry) != '[' {
		faults = append(faults, Issue{"error", "structure", "Bundle.entry", "entry is an array"})
	}
	if len(faults) == 0 {
		b.Entries = make([]Entry, 0, 32)
	}
	count, shared := 0, &former{loose: loose}
	eachItem(h.entry, func(at int) int {
		count++
		if len(faults) > 0 || count > MaxEntries {
			return valueEnd(h.entry, at)
		}
		raw := h.entry[at:]
		if !clean {
			raw = raw[:valueEnd(raw, 0)]
		}
		e := decodeEntry(raw, count-1, clean, shared)
		b.Entries = append(b.Entries, e)
		return at + len(e.Raw)
	})
	if count > MaxEntries {
		faults = append(faults, Issue{"error", "too-costly", "Bundle.entry",
			"a Bundle may hold " + strconv.Itoa(MaxEntries) + " entries; send it in parts"})
	}
	if len(faults) > 0 {
		return Bundle{}, &Invalid{faults}
	}
	return b, nil
}

// decodeEntry reads the entry at the beginning of raw. Nothing stands behind it unless the document is clean.
func decodeEntry(raw []byte, index int, clean bool, f *former) Entry {
	e := Entry{Raw: raw}
	// Written out only where there is something to say.
	path := func() string { return "Bundle.entry[" + strconv.Itoa(index) + "]" }
	if kindOf(raw) != '{' {
		e.Raw = raw[:valueEnd(raw, 0)]
		e.Fault = &Invalid{[]Issue{{"error", "structure", path(), "an entry is an object"}}}
		return e
	}
	var found, faults []Issue
	if !clean {
		if found = scan(raw); len(found) > 0 {
			faults = rooted(found, path())
		}
	}
	var fullURL, request, response, resource []byte
	var own []Issue
	e.Raw = raw[:through(raw, 0, func(name []byte, at int) int {
		// A document without fault names nothing twice: the resource is read on the way through.
		if clean && string(name) == "resource" && raw[at] == '{' {
			e.Resource, _, own = view(raw[at:], f)
			e.HasResource = true
			return at + len(e.Resource.Raw)
		}
		end := valueEnd(raw, at)
		switch value := raw[at:end]; string(name) {
		case "fullUrl":
			fullURL = value
		case "request":
			request = value
		case "response":
			response = value
		case "resource":
			resource = value
		}
		return end
	})]
	read := func(value []byte, at, name string) string {
		s, ok := textOf(value)
		if value != nil && !ok {
			faults = append(faults, Issue{"error", "structure", path() + at + "." + name, "a string was expected"})
		}
		return s
	}
	object := func(value []byte, name string) []byte {
		if value != nil && kindOf(value) != '{' {
			faults = append(faults, Issue{"error", "structure", path() + "." + name, "an object was expected"})
			return nil
		}
		return value
	}
	e.FullURL = read(fullURL, "", "fullUrl")
	if request = object(request, "request"); request != nil {
		const at = ".request"
		e.Method, e.URL = read(member(request, "method"), at, "method"), read(member(request, "url"), at, "url")
		e.IfNoneExist, e.IfMatch = read(member(request, "ifNoneExist"), at, "ifNoneExist"), read(member(request, "ifMatch"), at, "ifMatch")
		if e.Method == "" {
			faults = append(faults, Issue{"error", "required", path() + at + ".method", "a request says its method"})
		}
	}
	if response = object(response, "response"); response != nil {
		const at = ".response"
		e.Version = strings.Trim(strings.TrimPrefix(read(member(response, "etag"), at, "etag"), "W/"), `"`)
		e.LastModified = parseInstant(read(member(response, "lastModified"), at, "lastModified"))
	}
	if hopeless(found, false) {
		e.Fault = &Invalid{faults}
		return e
	}
	if resource = object(resource, "resource"); resource != nil {
		e.Resource, _, own = view(resource, f)
		e.HasResource = true
	}
	if len(own) > 0 {
		faults = append(faults, rooted(own, path()+".resource")...)
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
