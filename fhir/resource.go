// Package fhir reads and writes FHIR R4 JSON. The received bytes stay the truth: a Resource is a thin view on them.
// It must never do I/O, read a clock, or drop an element of what it was given.
package fhir

import (
	"bytes"
	"time"
)

// Resource is one received FHIR resource: who it is, which version it is, and its bytes as they came.
type Resource struct {
	Type string
	ID   string // "" where the sender gave none
	// VersionID is meta.versionId as sent; "" where there is none. It is opaque.
	VersionID string
	// LastUpdated is meta.lastUpdated; zero where it is missing or unreadable.
	LastUpdated time.Time
	Raw         []byte
	doc         Value // Raw as it was read through, where Decode gave it
}

// Equal reports whether two resources are one and the same as far as anybody can see.
func (r Resource) Equal(s Resource) bool {
	return r.Type == s.Type && r.ID == s.ID && r.VersionID == s.VersionID && r.LastUpdated.Equal(s.LastUpdated) && bytes.Equal(r.Raw, s.Raw)
}

// Ref gives "Type/id".
func (r Resource) Ref() string { return r.Type + "/" + r.ID }

// MaxAhead is how far meta.lastUpdated may lie after the receipt and still be believed: clocks differ.
const MaxAhead = 24 * time.Hour

// Ahead reports a LastUpdated that cannot be true of what was received at a time. The order of versions must not go by it: no later
// correction would ever be newer.
func (r Resource) Ahead(received time.Time) bool { return r.LastUpdated.After(received.Add(MaxAhead)) }

// AheadWarning tells the sender of such a time, and where it stands.
func (r Resource) AheadWarning() Issue {
	return Issue{"warning", "value", r.Type + ".meta.lastUpdated",
		"this lies more than a day after it was received; it is not believed, and where version numbers do not tell the order, the order of receipt stands in"}
}

// NamelessID reports an id that the sender did not give, so that no other system knows the resource by it: the bytes name
// none, and the id is a UUID of version 5, as the doors make them (RFC 9562 section 5.5). Where a sender puts such a UUID of its own
// into the URL only, that is taken for one of ours.
func (r Resource) NamelessID() bool {
	return len(r.ID) == 36 && r.ID[8] == '-' && r.ID[13] == '-' && r.ID[14] == '5' && r.ID[18] == '-' && r.ID[23] == '-' &&
		len(r.Raw) > 0 && members(r.Raw, "id")["id"] == nil
}

// Issue is one fault of an input, as OperationOutcome.issue says it. Text and Expression never hold patient data.
type Issue struct {
	Severity   string // fatal | error | warning | information
	Code       string // http://hl7.org/fhir/issue-type
	Expression string // FHIRPath of the element, e.g. "Bundle.entry[3].resource.status"; "" where none applies
	Text       string
}

// Invalid is the error of an input that cannot be taken; it lists all faults that were found.
type Invalid struct{ Issues []Issue }
