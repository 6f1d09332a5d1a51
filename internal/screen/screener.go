package screen

import (
	"bytes"
	"slices"

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

// Entry is a resource of a feed as the core reads it: evidence of any feed but the default one is named by its address.
func (s Screener) Entry(feed string, r fhir.Resource) chart.Entry {
	e := chart.Entry{Feed: feed, Home: s.Bases[feed], Resource: r}
	if feed != defaultFeed {
		e.Base = s.Bases[feed]
		if e.Base == "" {
			e.Base = "urn:dwellwatch:feed:" + feed
		}
	}
	return e
}

// defaultFeed is the feed of the record itself.
const defaultFeed = "default"

// Item screens one resource of a feed.
func (s Screener) Item(feed string, r fhir.Resource) Item {
	doc := r.Document()
	n := name(r, doc, s.Bases[feed])
	it := Item{Feed: feed, Resource: r, Retracted: n.Retracted, Patient: n.Patient, Refs: n.Refs, Links: n.Links}
	if r.Type == "Patient" {
		return it
	}
	if it.Retracted {
		return it
	}
	switch r.Type {
	case "Device":
		it.Evidence = chart.IsFilterDevice(doc, s.Sets, s.Models)
		it.Vague = !it.Evidence && !slices.ContainsFunc([]string{"type", "deviceName", "udiCarrier", "modelNumber", "definition"}, func(m string) bool { return doc.Get(m).Exists() })
	case "Procedure", "DeviceUseStatement":
		it.Evidence = chart.TellsFilter(doc, s.Sets, s.Models)
		if !it.Evidence {
			it.Lookalikes = s.Sets.Lookalikes(r.Type, doc.Get("code"))
		}
	case "Condition":
		it.Evidence = chart.TellsPresence(doc, s.Sets)
	case "Observation", "DiagnosticReport":
		it.Evidence = chart.TellsSighting(doc, s.Sets)
	case "Medication":
		it.Holdable = chart.IsAnticoagulant(doc, s.Sets)
	}
	// A filter whose patient cannot be told yet is kept until an entry that names it, or a newer version, tells.
	it.Holdable = it.Holdable || it.Evidence && it.Patient == ""
	return it
}

// LookalikeText says what is amiss with a code of Lookalikes.
const LookalikeText = chart.LookalikeText

// Mentioner gives what tells of bytes that could not be read whether they seem to be about a vena cava filter, so that they are worth
// keeping aside. It looks for the words, the codes and the models that start following a patient.
func (s Screener) Mentioner() *chart.Mentioner { return chart.NewMentioner(s.Sets, s.Models) }

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
