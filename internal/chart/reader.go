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
type Person struct {
	Name, BirthDate, Sex string
	// Known says that a Patient resource tells of the person; Reachable, that it names a way to reach them.
	Known, Reachable bool
}

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
	r := &reader{sets: sets, models: models, zone: zone, nodes: make([]*node, len(entries)), index: make(map[address]*node, len(entries))}
	nodes, fields := make([]node, len(entries)), make([]field, 0, 10*len(entries))
	for i := range entries {
		n, e := &nodes[i], &entries[i]
		text := string(e.Raw)
		n.Entry, n.doc, n.name = e, gjson.Parse(text), e.Ref()
		from := len(fields)
		fields = appendFields(fields, e.Raw, text)
		n.fields = fields[from:len(fields):len(fields)]
		if e.Base != "" {
			n.name = strings.TrimSuffix(e.Base, "/") + "/" + n.name
		}
		r.nodes[i] = n
		r.index[address{e.Feed, e.Type, e.ID}] = n
	}
	slices.SortFunc(r.nodes, func(a, b *node) int { return strings.Compare(a.name, b.name) })
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
	slices.SortFunc(r.out.Unread, func(a, b Unread) int {
		return strings.Compare(a.Resource+a.Path, b.Resource+b.Path)
	})
	r.out.Unread = slices.Compact(r.out.Unread)
	return r.out
}

// Reads reports whether anything is read from resources of a type.
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
	index   map[address]*node
	refills map[string]refill // by order
	halted  []halt
	// vouched names, for each entry that was corrected, what it was corrected by.
	vouched map[filter.Ref][]filter.Ref
	out     Reading
}

// address is what an entry is known by.
type address struct{ feed, kind, id string }

// node is one entry with its parsed document.
type node struct {
	*Entry
	doc    gjson.Result
	fields []field
	name   string // how evidence names it
	device *filter.Device
}

// field is one member of a document, so that it is read through once.
type field struct{ name, raw string }

// appendFields adds the members of a document, given as bytes and as text.
func appendFields(to []field, raw []byte, text string) []field {
	fhir.Members(raw, func(name []byte, at, from, end int) {
		// A name without escapes stands in the text, and needs no copy of its own.
		if stands := text[at:min(at+len(name), len(text))]; stands == string(name) {
			to = append(to, field{stands, text[from:end]})
		} else {
			to = append(to, field{string(name), text[from:end]})
		}
	})
	return to
}

// split takes the document apart into its members, where that has not been done.
func (n *node) split() {
	if n.fields != nil {
		return
	}
	n.fields = make([]field, 0, 12)
	n.doc.ForEach(func(name, value gjson.Result) bool {
		n.fields = append(n.fields, field{name.Str, value.Raw})
		return true
	})
}

// get reads an element by its path, whose first part names a member.
func (n *node) get(path string) gjson.Result {
	n.split()
	name, rest, deeper := strings.Cut(path, ".")
	for i := range n.fields {
		if n.fields[i].name != name {
			continue
		}
		if n.fields[i].raw == "null" {
			break // says nothing; where FHIR wants a day, it is not one
		}
		if !deeper {
			return gjson.Parse(n.fields[i].raw)
		}
		return gjson.Get(n.fields[i].raw, rest)
	}
	return gjson.Result{}
}

// coded reports whether a CodeableConcept has one of these codes, whatever their system.
func (n *node) coded(element string, codes ...string) bool {
	list := n.get(element).Get("coding")
	if !list.IsArray() {
		return false
	}
	found := false
	list.ForEach(func(_, k gjson.Result) bool {
		found = slices.Contains(codes, k.Get("code").String())
		return !found
	})
	return found
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
				return &node{Entry: &Entry{Feed: n.Feed, Base: n.Base, Home: n.Home, Resource: fhir.Resource{Type: c.Get("resourceType").String(), ID: n.ID, Raw: []byte(c.Raw)}}, doc: c, name: n.name}, n.name + "#" + p.Contained
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
	if t := r.index[address{n.Feed, p.Type, p.ID}]; t != nil {
		return t, t.name
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
	if err != nil || v.Type != gjson.String {
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

// concept is a CodeableConcept: the sets it belongs to, and its words.
type concept struct {
	sets  []string
	words string
	codes []coding
}

type coding struct{ system, code string }

func (c concept) in(set string) bool { return slices.Contains(c.sets, set) }

// label names the codes for people.
func (c concept) label() string {
	if len(c.codes) == 0 {
		return "text only"
	}
	text := ""
	for i, k := range c.codes {
		if i > 0 {
			text += ", "
		}
		text += systemName(k.system) + " " + k.code
	}
	return text
}

// concept reads a CodeableConcept. Words are the text and the displays.
func (r *reader) concept(v gjson.Result) concept {
	var c concept
	if !v.Exists() {
		return c
	}
	var list, text gjson.Result
	if v.IsObject() {
		v.ForEach(func(name, value gjson.Result) bool {
			switch {
			case name.Str == "coding" && !list.Exists():
				list = value
			case name.Str == "text" && !text.Exists():
				text = value
			}
			return true
		})
	}
	words, first := "", true
	eachOf(list, func(k gjson.Result) {
		var system, code, display gjson.Result
		if k.IsObject() {
			k.ForEach(func(name, value gjson.Result) bool {
				switch {
				case name.Str == "system" && !system.Exists():
					system = value
				case name.Str == "code" && !code.Exists():
					code = value
				case name.Str == "display" && !display.Exists():
					display = value
				}
				return true
			})
		}
		if code := strings.TrimSpace(code.String()); code != "" {
			canonical := canonicalSystem(system.String())
			c.codes = append(c.codes, coding{canonical, code})
			if sets := r.sets.held(canonical, code); c.sets == nil {
				c.sets = sets
			} else {
				c.sets = append(c.sets, sets...)
			}
		}
		if first {
			words, first = display.String(), false
		} else {
			words += " . " + display.String()
		}
	})
	if first {
		words = text.String()
	} else {
		words += " . " + text.String()
	}
	c.words = strings.TrimSpace(words)
	return c
}

// eachOf calls f for every element of a list, and for a single value as for a list of one.
func eachOf(v gjson.Result, f func(gjson.Result)) {
	switch {
	case v.IsArray():
		v.ForEach(func(_, e gjson.Result) bool { f(e); return true })
	case v.Type != gjson.Null:
		f(v)
	}
}

// systemName names a canonical system for people.
func systemName(system string) string {
	switch system {
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
