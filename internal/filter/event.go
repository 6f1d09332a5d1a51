// Package filter says what happened to each vena cava filter of one patient: it turns events told by several sources
// into histories. It is pure: no clock (asOf is an argument), no I/O, no FHIR, no SQL.
package filter

import (
	"cmp"
	"slices"
	"strings"
)

// Ref names a record entry: "Type/id", or an absolute URL for an entry of another feed.
type Ref = string

// Kind says what an event tells.
type Kind string

const (
	Placement      Kind = "placement"       // a filter was put in
	Removal        Kind = "removal"         // a filter was taken out
	Attempt        Kind = "attempt"         // a removal was tried and failed
	PartialRemoval Kind = "partial-removal" // a part stays in
	Repositioning  Kind = "repositioning"   // moved; dwell goes on
	InPlace        Kind = "device"          // a device entry says that a filter is in, day unknown
	Sighting       Kind = "sighting"        // a code of the site says that a filter was seen in place
	Hint           Kind = "hint"            // something suggests that it is out (inactive device, use ended)
	Claim          Kind = "claim"           // a placement of which the record does not say that it happened
	RemovalClaim   Kind = "removal-claim"   // a removal of which the record does not say that it happened, or not of what
)

// Device is what one entry says about the device itself.
type Device struct {
	Ref Ref // "" where no entry is named
	// Identifier is the UDI's device identifier, normalised: it names a model; with lot or serial number it names a device.
	Identifier, Lot, Serial string
	Number                  string // model number
	Name                    string
	Model                   Model
	Flaw                    string // what is wrong with its label, in words
}

// same reports whether both are one device: one entry, or one identifier with the same serial number, or the same lot where
// a serial number is not told of both.
func (d Device) same(o Device) bool {
	if d.Ref != "" && d.Ref == o.Ref {
		return true
	}
	if d.Identifier == "" || d.Identifier != o.Identifier || differ(d.Lot, o.Lot) || differ(d.Serial, o.Serial) {
		return false
	}
	return d.Serial != "" && d.Serial == o.Serial || d.Lot != "" && d.Lot == o.Lot
}

// other reports whether both cannot be one device.
func (d Device) other(o Device) bool {
	return differ(d.Identifier, o.Identifier) || differ(d.Lot, o.Lot) || differ(d.Serial, o.Serial) || differ(d.Number, o.Number) ||
		d.Model.identified() && o.Model.identified() && d.Model.Name != o.Model.Name
}

// Model is a catalogue's answer.
type Model struct {
	Name   string
	Design string // conical | double-basket | other | unknown
	Intent string // retrievable | permanent | unknown
	By     string // udi | model-number | name | none
	// MarketedFrom and MarketedTo are the first and last day on which it was sold; 0 where not known.
	MarketedFrom, MarketedTo Day
	// RetrievalDays is for how many days its label speaks of retrieval; 0 where it says none.
	RetrievalDays int
}

func (m Model) identified() bool { return m.By != "" && m.By != "none" }

// Event is one thing that one record entry tells about a filter.
type Event struct {
	Kind Kind
	When Span
	// Told is, of a device entry whose day lies after the one on which it was recorded, that one: it counts until asOf has reached When.
	// Else the zero Span.
	Told Span
	// Start orders events of one day where the entry gives a time: minutes after midnight, or -1.
	Start       int
	Devices     []Device
	Second      bool   // words say "second" or "another" filter
	Presumed    bool   // a removal known from its code only
	Confirmed   bool   // a removal with a successful outcome or an explanted device
	Nonspecific bool   // a removal code that names the lower veins, not the cava
	Future      bool   // the entry says done, but its day lies after the day it was written
	Undated     bool   // the entry does not say when it was written, so a done day after asOf is a contradiction
	Fragment    bool   // a fragment stays in
	Unseen      bool   // a hint: imaging of the abdomen sees no filter
	Why         string // short words for people: how the entry says it ("CPT 37191", "status stopped", …)
	Encounter   Ref
	Of          []Ref // what makes the filter that the entry says it is about itself, as Filter.Own; then it is about no other
	Evidence    []Ref // the entry itself first
}

// compare gives events a total order that depends on content only, never on arrival.
func compare(a, b Event) int {
	return cmp.Or(
		cmp.Compare(a.When.Earliest, b.When.Earliest),
		cmp.Compare(a.When.Latest, b.When.Latest),
		cmp.Compare(a.Start, b.Start),
		cmp.Compare(kindRank(a.Kind), kindRank(b.Kind)),
		strings.Compare(first(a.Evidence), first(b.Evidence)),
		slices.CompareFunc(a.Devices, b.Devices, func(x, y Device) int {
			return cmp.Or(strings.Compare(x.Ref, y.Ref), strings.Compare(x.Identifier, y.Identifier), strings.Compare(x.Lot, y.Lot), strings.Compare(x.Serial, y.Serial),
				strings.Compare(x.Number, y.Number), strings.Compare(x.Name, y.Name), strings.Compare(x.Flaw, y.Flaw))
		}),
		strings.Compare(a.Why, b.Why),
	)
}

func kindRank(k Kind) int {
	return slices.Index([]Kind{Placement, Claim, InPlace, Repositioning, Attempt, PartialRemoval, Removal, RemovalClaim, Sighting, Hint}, k)
}

func first(refs []Ref) string {
	if len(refs) == 0 {
		return ""
	}
	return refs[0]
}
