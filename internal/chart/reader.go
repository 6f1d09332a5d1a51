package chart

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// Entry is one resource of the patient's record with the feed it came from.
type Entry struct {
	Feed string
	// Base is what evidence puts before Type/id; "" for the default feed, whose entries are named Type/id.
	Base string
	// Home is the FHIR base URL of the feed's server, so that its own absolute references count as local; "" if not known.
	Home string
	fhir.Resource
}

// Unread is an element that could not be read and what that leaves unknown.
type Unread struct{ Resource, Path, Reason string }

// Person is what the head of a document needs.
type Person struct {
	Name, BirthDate, Sex string
	// Known says that a Patient resource tells of the person; Reachable, that it names a way to reach them.
	Known, Reachable bool
	OtherNames       []string // the other names that are in use, official ones first
	Numbers          []string // hospital numbers: identifiers of the type MR, those in use
}

// Reading is one patient's record as events and facts.
type Reading struct {
	Patient string // Patient/id as evidence names it
	Person  Person
	Events  []filter.Event
	Facts   rules.Facts
	Unread  []Unread
	// Disputed are days of which it depends on the day asked for which is wrong.
	Disputed []Disputed
}

// UnreadOn lists what could not be read as it stands to a reader of a day, in the order of Unread.
func (r Reading) UnreadOn(clock *filter.Clock) []Unread {
	out := slices.Clone(r.Unread)
	for _, d := range r.Disputed {
		if clock.Reached(d.From) {
			out = append(out, d.Recorded)
		} else {
			out = append(out, d.Onset)
		}
	}
	return ordered(out)
}

func ordered(list []Unread) []Unread {
	slices.SortFunc(list, func(a, b Unread) int { return strings.Compare(a.Resource+a.Path, b.Resource+b.Path) })
	return slices.Compact(list)
}

// Read reads all resources of one patient. The order of the entries does not matter. The same resource must be there
// once only.
func Read(entries []Entry, sets Sets, models catalogue.Catalogue, zone *time.Location) Reading {
	return (*Room)(nil).Read(entries, sets, models, zone)
}

// Read is the function of that name.
func (m *Room) Read(entries []Entry, sets Sets, models catalogue.Catalogue, zone *time.Location) Reading {
	r := &reader{sets: sets, models: models, zone: zone}
	nodes, list, codes, labs := m.take(len(entries))
	r.nodes, r.codes, r.labs = list, codes, labs
	r.grow(len(entries))
	for i := range entries {
		nodes[i] = node{Entry: &entries[i], doc: entries[i].Document(), room: &r.room}
		r.nodes[i] = &nodes[i]
	}
	slices.SortFunc(r.nodes, byEvidence)
	r.places = r.nodes
	if slices.ContainsFunc(r.nodes, func(n *node) bool { return n.Feed != entries[0].Feed || n.Base != "" }) {
		r.places = slices.Clone(r.nodes)
		slices.SortFunc(r.places, func(a, b *node) int { return a.place().compare(b.place()) })
	}
	r.correct()
	for _, n := range r.nodes {
		r.tidy(n)
		if n.Type == "Device" {
			r.noteDevice(n)
		}
	}
	for _, n := range r.nodes {
		switch n.Type {
		case "Patient":
			r.patient(n)
			r.links(n)
		case "Device":
			r.device(n)
		case "DeviceUseStatement":
			r.deviceUse(n)
		case "Procedure":
			r.procedure(n)
		case "Condition":
			r.condition(n)
		case "MedicationRequest", "MedicationStatement", "MedicationAdministration", "MedicationDispense":
			r.medication(n)
		case "Observation":
			r.observation(n)
		case "ServiceRequest":
			r.serviceRequest(n)
		case "Appointment":
			r.appointment(n)
		case "DiagnosticReport":
			r.report(n)
		case "ImagingStudy":
			r.imagingStudy(n)
		case "Encounter":
			r.encounter(n)
		case "Task":
			r.task(n)
		case "Communication":
			r.communication(n)
		case "ClinicalImpression":
			r.impression(n)
		}
	}
	r.joinRefills()
	r.nameStatuses()
	r.vouch()
	if r.out.Patient == "" {
		r.out.Patient = r.namedPatient()
	}
	r.out.Unread = ordered(r.out.Unread)
	m.keep(nodes, list, r.codes, r.out.Facts.Labs)
	return r.out
}

// Reads reports whether anything is read from resources of a type that a record may hold. What people enter with us comes by the feed
// LocalFeed alone, and its further types are not among these.
func Reads(kind string) bool {
	return slices.Contains([]string{"Patient", "Device", "DeviceUseStatement", "Procedure", "Condition", "Medication", "MedicationRequest", "MedicationStatement",
		"MedicationAdministration", "MedicationDispense", "Observation", "ServiceRequest", "Appointment", "DiagnosticReport", "ImagingStudy", "Encounter", "Task"}, kind)
}

// namedPatient gives the patient that the entries are about, where the Patient resource itself is not there: the first that
// any entry names, in the order of the entries' names.
func (r *reader) namedPatient() string {
	for _, n := range r.nodes {
		for _, path := range []string{"subject", "patient", "for"} {
			if _, ref := r.target(n, n.get(path)); strings.HasPrefix(ref, "Patient/") || strings.Contains(ref, "/Patient/") {
				return ref
			}
		}
	}
	return ""
}

// reader is the work in hand.
type reader struct {
	sets    Sets
	models  catalogue.Catalogue
	zone    *time.Location
	nodes   []*node
	places  []*node           // by what they are known by
	refills map[string]refill // by order
	halted  []halt
	last    struct {
		coding
		canonical string
		sets      []string
	}
	room
	labs []rules.Lab // empty
	// vouched names, for each entry that was corrected, what it was corrected by.
	vouched map[filter.Ref][]filter.Ref
	out     Reading
}

// room is where small things are put beside each other, so that not each takes its own: codes and words of concepts, names of entries,
// and lists of one name.
type room struct {
	codes []coding
	words strings.Builder
	refs  []filter.Ref
}

// grow makes room for as much as entries usually need.
func (r *room) grow(entries int) {
	r.refs = make([]filter.Ref, 0, entries)
	r.words.Grow(64 * entries)
}

// place is what an entry is known by.
type place struct{ feed, kind, id string }

func (p place) compare(q place) int {
	if c := strings.Compare(p.feed, q.feed); c != 0 {
		return c
	}
	if c := strings.Compare(p.kind, q.kind); c != 0 {
		return c
	}
	return strings.Compare(p.id, q.id)
}

// node is one entry with its document.
type node struct {
	*Entry
	doc    fhir.Value
	hidden []string // members that say nothing
	name   string   // how evidence names it, where it was asked for
	known  *Entry   // what it is known by, where a correction's content stands in its place; nil otherwise
	room   *room
	device *filter.Device
}

func (n *node) place() place {
	e := n.Entry
	if n.known != nil {
		e = n.known
	}
	return place{e.Feed, e.Type, e.ID}
}

// ref gives how evidence names the entry.
func (n *node) ref() string {
	if n.name == "" {
		from, w := n.room.words.Len(), &n.room.words
		if n.Base != "" {
			w.WriteString(strings.TrimSuffix(n.Base, "/"))
			w.WriteByte('/')
		}
		w.WriteString(n.Type)
		w.WriteByte('/')
		w.WriteString(n.ID)
		n.name = w.String()[from:]
	}
	return n.name
}

// evidence gives the entry itself as evidence. What is appended to it goes elsewhere.
func (n *node) evidence() []filter.Ref {
	from := len(n.room.refs)
	n.room.refs = append(n.room.refs, n.ref())
	return n.room.refs[from : from+1 : from+1]
}

// byEvidence orders entries by how evidence names them. A type is of letters, which come after the slash that ends it.
func byEvidence(a, b *node) int {
	if a.Base == "" && b.Base == "" {
		return place{"", a.Type, a.ID}.compare(place{"", b.Type, b.ID})
	}
	return strings.Compare(a.ref(), b.ref())
}

// get reads an element by its path, whose first part names a member. A member that is null says nothing; where FHIR wants a day, it is
// not one.
func (n *node) get(path string) fhir.Value {
	name, rest := path, ""
	if at := strings.IndexByte(path, '.'); at >= 0 {
		name, rest = path[:at], path[at+1:]
	}
	v := n.doc.Member(name)
	if v.Kind() == 'n' || n.hidden != nil && slices.Contains(n.hidden, name) {
		return fhir.Value{}
	}
	if rest != "" {
		return v.Get(rest)
	}
	return v
}

// coded reports whether a CodeableConcept has one of these codes, whatever their system.
func (n *node) coded(element string, codes ...string) bool {
	for code := range n.get(element).Get("coding").Every("code") {
		if slices.Contains(codes, code.String()) {
			return true
		}
	}
	return false
}

func (n *node) status() string { return n.get("status").String() }

func (r *reader) unread(n *node, path, reason string) {
	r.out.Unread = append(r.out.Unread, Unread{n.ref(), n.Type + "." + path, reason})
}

// target finds the entry that a reference of n names: contained, in the same feed, or by logical absence nil. ref is
// what evidence would call it, "" where the reference cannot be named.
func (r *reader) target(n *node, reference fhir.Value) (t *node, ref string) {
	text := reference.Get("reference").String()
	p := fhir.ParseReference(text)
	if p.Contained != "" {
		for c := range n.get("contained").Each() {
			if c.Get("id").String() == p.Contained {
				return &node{Entry: &Entry{Feed: n.Feed, Base: n.Base, Home: n.Home, Resource: fhir.Resource{Type: c.Get("resourceType").String(), ID: n.ID}}, doc: c, name: n.ref(), room: n.room}, n.ref() + "#" + p.Contained
			}
		}
		return nil, ""
	}
	if n.Feed == LocalFeed {
		return r.byName(text), text
	}
	if p.Type == "" {
		return nil, ""
	}
	if p.Base != "" && p.Local(cmp.Or(n.Home, n.Base)) == "" {
		return nil, text
	}
	wanted := place{n.Feed, p.Type, p.ID}
	if at, ok := slices.BinarySearchFunc(r.places, wanted, func(t *node, p place) int { return t.place().compare(p) }); ok {
		return r.places[at], r.places[at].ref()
	}
	if n.Base == "" && p.Base == "" && p.Version == "" {
		return nil, text // which is the name
	}
	local := p.Type + "/" + p.ID
	if n.Base != "" {
		return nil, strings.TrimSuffix(n.Base, "/") + "/" + local
	}
	return nil, local
}

// day reads a date element; a bad one is named in Unread and leaves the day unknown. minute is -1 without a time.
func (r *reader) day(n *node, path string) (span filter.Span, minute int) {
	v := n.get(path)
	if !v.Exists() {
		return filter.Unknown(), -1
	}
	d, err := fhir.ParseDate(v.String(), r.zone)
	if err != nil || v.Kind() != '"' {
		r.unread(n, path, "not a date that the calendar knows; the day is taken as unknown")
		return filter.Unknown(), -1
	}
	return filter.Span{Earliest: filter.Day(d.First), Latest: filter.Day(d.Last)}, d.Minute
}

// period reads a Period as the span of its start and the span of its end.
func (r *reader) period(n *node, path string) (start, end filter.Span, minute int) {
	start, minute = r.day(n, path+".start")
	end, _ = r.day(n, path+".end")
	return start, end, minute
}

// written gives the day of meta.lastUpdated; Unknown where there is none.
func (r *reader) written(n *node) filter.Span {
	if n.LastUpdated.IsZero() {
		return filter.Unknown()
	}
	d, err := fhir.ParseDate(n.LastUpdated.Format(time.RFC3339), r.zone)
	if err != nil {
		return filter.Unknown()
	}
	return filter.On(filter.Day(d.First))
}
