// Package screen decides from the bytes of a resource whether it is about a vena cava filter, whose it is, and which other
// entries it names. It must never store anything, read a clock, or judge whether a filter is still in.
package screen

import (
	"strings"

	"dwellwatch/fhir"
)

// Item is one screened resource on its way to the store.
type Item struct {
	Feed     string
	Resource fhir.Resource
	// Deleted is a DELETE: Resource holds type and id only (and a version where the sender told one).
	Deleted bool
	// Retracted says that the resource is entered-in-error (a stripped one holds id and status only).
	Retracted bool
	// Read says that the record gave it when it was asked for it by its id, as its current version.
	Read bool
	// Listed says that a search of the record gave it, which may lag behind what is stored there. It brings what is new or newer; what
	// was taken back it never revives, and between contents of which neither version nor time tells the order it decides nothing.
	Listed bool
	// New says that it counts only where nothing of the resource was ever heard, and nothing of anybody names it: its sender may add to
	// what is known, and change nothing.
	New bool
	// Temporary says that the resource came without an id and goes by one made of the temporary name (urn:uuid:...) of its entry.
	Temporary bool
	// Patient is the id of the Patient (same feed) that it is about; for a Patient its own id; "" where it names none.
	Patient string
	// Evidence says that it tells of a vena cava filter by code or listed phrase, so its patient is to be followed.
	Evidence bool
	// Holdable says that it may be kept although it names no patient: a filter Device, an anticoagulant Medication.
	Holdable bool
	// Vague says of a Device that it does not tell what it is, so that a later version may turn out to be a filter.
	Vague bool
	// Refs lists the entries of the same feed that it names ("Device/x"), sorted, once each; the Patient is not among them.
	Refs []string
	// Links lists the Patient ids that a Patient names in Patient.link (replaced-by, replaces); nil for other types.
	Links []string
	// Lookalikes lists the paths of systems that are missing or unknown where the code is one that tells of a filter.
	Lookalikes []string
}

// Fate says what became of an item.
type Fate string

const (
	Created   Fate = "created"   // kept, not seen before
	Updated   Fate = "updated"   // kept, a newer version
	Duplicate Fate = "duplicate" // the same version or content was already here
	Stale     Fate = "stale"     // an older version than the one kept; stored beside it, changes nothing
	Dropped   Fate = "dropped"   // neither about a filter nor about anyone followed: counted, not stored
	Waiting   Fate = "waiting"   // held, following nobody, until a device that it names is known
	Forgotten Fate = "forgotten" // a delete or retraction of something not kept: only a keyed hash stays
)

// Outcome is what the store did with one item. Version is our own count of the resource's versions, from 1; 0 if not kept.
type Outcome struct {
	Fate    Fate
	Version int64
	// Undecided says that neither version nor time told whether this is newer than what was here: the order of receipt decided.
	Undecided bool
	// SameVersion says that it calls itself the version that was here, and tells something else.
	SameVersion bool
	// Retracted says, of content that changes nothing, that a deletion or retraction of the resource stands.
	Retracted bool
	// Unsure says, of what a search listed, that it changes nothing before the record is asked for this resource by its id.
	Unsure bool
}

// Clash says why an item must not be taken: its sender uses the temporary names of one patient's entries for another's. "" where it may.
type Clash string

const (
	ClashPatient Clash = "another patient" // what is kept under its name is about another patient
	ClashPerson  Clash = "another person"  // the Patient that is kept under its name is another person
	ClashSubject Clash = "of a refused"    // it is about, or links to, a Patient of the same call that is another person
	ClashThing   Clash = "another thing"   // it names no patient and tells another thing than what is kept for somebody else: it wants a name of its own
)

const earlier = "came before as "

// Earlier is the Clash of a Patient that is the same person as the one kept as id, which an entry of the call is about so far.
func Earlier(id string) Clash { return Clash(earlier + id) }

// Earlier gives the id of such a Clash.
func (c Clash) Earlier() (id string, ok bool) { return strings.CutPrefix(string(c), earlier) }
