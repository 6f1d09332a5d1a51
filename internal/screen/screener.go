package screen

import (
	"bytes"
	"slices"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/chart"
)

// Screener screens resources by a site's value sets and catalogue. Bases gives the FHIR base URL of each feed, so that
// absolute references of the feed's own server count as local ones.
type Screener struct {
	Sets   chart.Sets
	Models catalogue.Catalogue
	Bases  map[string]string
}

// Item screens one resource of a feed.
func (s Screener) Item(feed string, r fhir.Resource) Item {
	doc := gjson.ParseBytes(r.Raw)
	it := Item{Feed: feed, Resource: r, Retracted: retracted(r.Type, doc)}
	base := s.Bases[feed]
	it.Patient = patientOf(r, doc, base)
	if r.Type == "Patient" {
		for _, l := range doc.Get("link").Array() {
			// The other types (refer, seealso) say that there is more to read, not that two are one.
			// http://hl7.org/fhir/R4/valueset-link-type.html
			if kind := l.Get("type").String(); kind != "replaced-by" && kind != "replaces" {
				continue
			}
			if local := fhir.ParseReference(l.Get("other.reference").String()).Local(base); strings.HasPrefix(local, "Patient/") {
				it.Links = append(it.Links, strings.TrimPrefix(local, "Patient/"))
			}
		}
		return it
	}
	it.Refs = references(doc, base)
	if it.Retracted {
		return it
	}
	switch r.Type {
	case "Device":
		it.Evidence = chart.IsFilterDevice(r.Raw, s.Sets, s.Models)
		it.Vague = !it.Evidence && !slices.ContainsFunc([]string{"type", "deviceName", "udiCarrier", "modelNumber", "definition"}, func(m string) bool { return doc.Get(m).Exists() })
	case "Procedure", "DeviceUseStatement":
		it.Evidence = chart.TellsFilter(r.Raw, s.Sets, s.Models)
		if !it.Evidence {
			it.Lookalikes = s.Sets.Lookalikes(r.Type, doc.Get("code"))
		}
	case "Condition":
		it.Evidence = chart.TellsPresence(r.Raw, s.Sets)
	case "Observation", "DiagnosticReport":
		it.Evidence = chart.TellsSighting(r.Raw, s.Sets)
	case "Medication":
		it.Holdable = chart.IsAnticoagulant(r.Raw, s.Sets)
	}
	// A filter whose patient cannot be told yet is kept until an entry that names it, or a newer version, tells.
	it.Holdable = it.Holdable || it.Evidence && it.Patient == ""
	return it
}

// LookalikeText says what is amiss with a code of Lookalikes.
const LookalikeText = chart.LookalikeText

func retracted(kind string, doc gjson.Result) bool {
	if kind == "Condition" || kind == "AllergyIntolerance" {
		return slices.ContainsFunc(doc.Get("verificationStatus.coding.#.code").Array(), func(c gjson.Result) bool { return c.String() == "entered-in-error" })
	}
	return doc.Get("status").String() == "entered-in-error"
}

// patientOf gives the id of the patient that a resource is about.
func patientOf(r fhir.Resource, doc gjson.Result, base string) string {
	if r.Type == "Patient" {
		return r.ID
	}
	for _, path := range []string{"subject.reference", "patient.reference", "for.reference"} {
		if id := patientID(doc.Get(path).String(), base); id != "" {
			return id
		}
	}
	for _, p := range doc.Get("participant.#.actor.reference").Array() {
		if id := patientID(p.String(), base); id != "" {
			return id
		}
	}
	return ""
}

func patientID(reference, base string) string {
	id, ok := strings.CutPrefix(fhir.ParseReference(reference).Local(base), "Patient/")
	if !ok {
		return ""
	}
	return id
}

// references lists the entries of the same feed that a document names anywhere, but not patients. Where no escape can hide a
// member's name the bytes are searched for it, which is all but free; else the document is walked.
func references(doc gjson.Result, base string) []string {
	if strings.Contains(doc.Raw, `\u`) {
		return walked(doc, base)
	}
	var out []string
	const name = `"reference"`
	for rest := doc.Raw; ; {
		at := strings.Index(rest, name)
		if at < 0 {
			break
		}
		rest = strings.TrimLeft(rest[at+len(name):], " \t\r\n")
		value, is := strings.CutPrefix(rest, ":")
		if !is {
			continue // a text, not a name
		}
		if value = strings.TrimLeft(value, " \t\r\n"); value == "" || value[0] != '"' {
			continue
		}
		if local := fhir.ParseReference(gjson.Parse(value).String()).Local(base); local != "" && !strings.HasPrefix(local, "Patient/") {
			out = append(out, local)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// walked is references by way of the document's members.
func walked(doc gjson.Result, base string) []string {
	var out []string
	var walk func(v gjson.Result)
	walk = func(v gjson.Result) {
		v.ForEach(func(k, e gjson.Result) bool {
			if k.String() == "reference" && e.Type == gjson.String {
				if local := fhir.ParseReference(e.String()).Local(base); local != "" && !strings.HasPrefix(local, "Patient/") {
					out = append(out, local)
				}
				return true
			}
			if e.IsObject() || e.IsArray() {
				walk(e)
			}
			return true
		})
	}
	walk(doc)
	slices.Sort(out)
	return slices.Compact(out)
}

// Mentions reports whether bytes that could not be read seem to be about a vena cava filter, so that they are worth keeping
// aside. It looks for the words and the codes that start following a patient.
func (s Screener) Mentions(body []byte) bool { return s.Sets.Mentions(body) }

// maxNamed bounds how many patients of an unreadable payload are looked up.
const maxNamed = 1000

// Patients lists the ids of patients that the bytes seem to name, at most a thousand: "Patient/id", in whatever shape they are.
func Patients(body []byte) []string {
	var out []string
	for rest := body; len(out) < maxNamed; {
		at := bytes.Index(rest, []byte("Patient/"))
		if at < 0 {
			break
		}
		rest = rest[at+len("Patient/"):]
		end := bytes.IndexFunc(rest, func(c rune) bool { return !fhir.ValidID(string(c)) })
		if end < 0 {
			end = len(rest)
		}
		if id := string(rest[:min(end, 65)]); fhir.ValidID(id) && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}
