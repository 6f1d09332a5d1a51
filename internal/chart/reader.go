package chart

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/tidwall/gjson"

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
type Person struct{ Name, BirthDate, Sex string }

// Reading is one patient's record as events and facts.
type Reading struct {
	Patient string // Patient/id as evidence names it
	Person  Person
	Events  []filter.Event
	Facts   rules.Facts
	Unread  []Unread
}

// Read reads all resources of one patient. The order of the entries does not matter. The same resource must be there
// once only.
func Read(entries []Entry, sets Sets, models catalogue.Catalogue, zone *time.Location) Reading {
	entries = slices.Clone(entries)
	r := &reader{sets: sets, models: models, zone: zone, index: map[string]*node{}}
	for _, e := range entries {
		n := &node{Entry: e, doc: gjson.ParseBytes(e.Raw)}
		n.name = e.Ref()
		if e.Base != "" {
			n.name = strings.TrimSuffix(e.Base, "/") + "/" + e.Ref()
		}
		r.nodes = append(r.nodes, n)
		r.index[e.Feed+" "+e.Ref()] = n
	}
	slices.SortFunc(r.nodes, func(a, b *node) int { return strings.Compare(a.name, b.name) })
	for _, n := range r.nodes {
		if n.Type == "Device" {
			r.noteDevice(n)
		}
	}
	for _, n := range r.nodes {
		switch n.Type {
		case "Patient":
			r.patient(n)
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
		}
	}
	r.joinRefills()
	if r.out.Patient == "" {
		r.out.Patient = r.namedPatient()
	}
	slices.SortFunc(r.out.Unread, func(a, b Unread) int {
		return strings.Compare(a.Resource+a.Path, b.Resource+b.Path)
	})
	r.out.Unread = slices.Compact(r.out.Unread)
	return r.out
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
	index   map[string]*node  // "feed Type/id"
	refills map[string]refill // by order
	out     Reading
}

// node is one entry with its parsed document.
type node struct {
	Entry
	doc    gjson.Result
	fields []field
	name   string // how evidence names it
	device *filter.Device
}

// field is one member of a document, so that it is read through once.
type field struct{ name, raw string }

// get reads an element by its path, whose first part names a member.
func (n *node) get(path string) gjson.Result {
	if n.fields == nil {
		n.fields = make([]field, 0, 12)
		n.doc.ForEach(func(name, value gjson.Result) bool {
			n.fields = append(n.fields, field{name.Str, value.Raw})
			return true
		})
	}
	name, rest, deeper := strings.Cut(path, ".")
	for i := range n.fields {
		if n.fields[i].name != name {
			continue
		}
		if !deeper {
			return gjson.Parse(n.fields[i].raw)
		}
		return gjson.Get(n.fields[i].raw, rest)
	}
	return gjson.Result{}
}

func (n *node) status() string { return n.get("status").String() }

func (r *reader) unread(n *node, path, reason string) {
	r.out.Unread = append(r.out.Unread, Unread{n.name, n.Type + "." + path, reason})
}

// target finds the entry that a reference of n names: contained, in the same feed, or by logical absence nil. ref is
// what evidence would call it, "" where the reference cannot be named.
func (r *reader) target(n *node, reference gjson.Result) (t *node, ref string) {
	text := reference.Get("reference").String()
	p := fhir.ParseReference(text)
	if p.Contained != "" {
		for _, c := range n.get("contained").Array() {
			if c.Get("id").String() == p.Contained {
				return &node{Entry: Entry{Feed: n.Feed, Base: n.Base, Home: n.Home, Resource: fhir.Resource{Type: c.Get("resourceType").String(), ID: n.ID, Raw: []byte(c.Raw)}}, doc: c, name: n.name}, n.name + "#" + p.Contained
			}
		}
		return nil, ""
	}
	if p.Type == "" {
		return nil, ""
	}
	if p.Base != "" && p.Local(cmp.Or(n.Home, n.Base)) == "" {
		return nil, text
	}
	local := p.Type + "/" + p.ID
	if t := r.index[n.Feed+" "+local]; t != nil {
		return t, t.name
	}
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
	if err != nil {
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

// concept is a CodeableConcept: the sets it belongs to, a label of its codes for people, and its words.
type concept struct {
	sets  []string
	label string
	words string
	codes []coding
}

type coding struct{ system, code string }

func (c concept) in(set string) bool { return slices.Contains(c.sets, set) }

// concept reads a CodeableConcept. Words are the text and the displays.
func (r *reader) concept(v gjson.Result) concept {
	var c concept
	var labels, words []string
	for _, k := range v.Get("coding").Array() {
		system, code := strings.TrimSpace(k.Get("system").String()), strings.TrimSpace(k.Get("code").String())
		if code != "" {
			c.codes = append(c.codes, coding{canonicalSystem(system), code})
			c.sets = append(c.sets, r.sets.names(system, code)...)
			labels = append(labels, systemName(system)+" "+code)
		}
		words = append(words, k.Get("display").String())
	}
	words = append(words, v.Get("text").String())
	c.words = strings.TrimSpace(strings.Join(words, " . "))
	c.label = strings.Join(labels, ", ")
	if c.label == "" {
		c.label = "text only"
	}
	return c
}

func systemName(system string) string {
	switch canonicalSystem(system) {
	case "http://hl7.org/fhir/sid/icd-10-pcs":
		return "ICD-10-PCS"
	case "http://hl7.org/fhir/sid/icd-10-cm":
		return "ICD-10-CM"
	case "http://snomed.info/sct":
		return "SNOMED CT"
	case "http://www.ama-assn.org/go/cpt":
		return "CPT"
	case "http://www.nlm.nih.gov/research/umls/rxnorm":
		return "RxNorm"
	case "http://loinc.org":
		return "LOINC"
	case "http://hl7.org/fhir/sid/icd-9-cm":
		return "ICD-9-CM"
	}
	return "code"
}
