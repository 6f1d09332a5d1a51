package screen

import (
	"slices"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/fhir"
)

// Naming is whom and what a resource names: the members of an Item that do not ask what it tells.
type Naming struct {
	Patient   string
	Refs      []string
	Links     []string
	Retracted bool
}

// Name gives what a resource of a server at base names.
func Name(r fhir.Resource, base string) Naming { return name(r, string(r.Raw), base) }

// name is Name for a resource whose bytes are at hand as text.
func name(r fhir.Resource, text, base string) Naming {
	m := namingOf(r.Raw, text)
	n := Naming{Retracted: m.retracted(r.Type), Patient: m.patient(r, base)}
	if r.Type != "Patient" {
		n.Refs = references(text, base)
		return n
	}
	for _, l := range m.link.Array() {
		// The other types (refer, seealso) say that there is more to read, not that two are one.
		// http://hl7.org/fhir/R4/valueset-link-type.html
		if kind := l.Get("type").String(); kind != "replaced-by" && kind != "replaces" {
			continue
		}
		if id := patientID(l.Get("other.reference").String(), base); id != "" {
			n.Links = append(n.Links, id)
		}
	}
	return n
}

// naming holds the members that Naming is read from, so that a document is gone through once.
type naming struct{ status, verification, subject, whose, whom, participant, link gjson.Result }

func namingOf(raw []byte, text string) naming {
	var m naming
	fhir.Members(raw, func(name []byte, _, from, to int) {
		var at *gjson.Result
		switch string(name) {
		case "status":
			at = &m.status
		case "verificationStatus":
			at = &m.verification
		case "subject":
			at = &m.subject
		case "patient":
			at = &m.whose
		case "for":
			at = &m.whom
		case "participant":
			at = &m.participant
		case "link":
			at = &m.link
		}
		if at != nil && !at.Exists() {
			*at = gjson.Parse(text[from:to])
		}
	})
	return m
}

const inError = "entered-in-error"

func (m naming) retracted(kind string) bool {
	if kind != "Condition" && kind != "AllergyIntolerance" {
		return m.status.String() == inError
	}
	// Only an escape could hide the code from the search.
	if said := m.verification.Raw; !strings.Contains(said, inError) && strings.IndexByte(said, '\\') < 0 {
		return false
	}
	return slices.ContainsFunc(m.verification.Get("coding.#.code").Array(), func(c gjson.Result) bool { return c.String() == inError })
}

// patient gives the id of the patient that a resource is about.
func (m naming) patient(r fhir.Resource, base string) string {
	if r.Type == "Patient" {
		return r.ID
	}
	for _, v := range []gjson.Result{m.subject, m.whose, m.whom} {
		if v.Exists() {
			if id := patientID(v.Get("reference").String(), base); id != "" {
				return id
			}
		}
	}
	if m.participant.Exists() {
		for _, p := range m.participant.Get("#.actor.reference").Array() {
			if id := patientID(p.String(), base); id != "" {
				return id
			}
		}
	}
	return ""
}

func patientID(reference, base string) string {
	if p := fhir.ParseReference(reference); p.Type == "Patient" && p.IsLocal(base) {
		return p.ID
	}
	return ""
}

// references lists the entries of the same feed that a document names anywhere, but not patients. Where no escape can hide a
// member's name the bytes are searched for it, which is all but free; else the document is walked.
func references(doc, base string) []string {
	if strings.Contains(doc, `\u`) {
		return walked(gjson.Parse(doc), base)
	}
	var out []string
	// A quote is far more frequent than the first letter, which makes it slow to search for.
	const name = `reference"`
	for rest := doc; ; {
		at := strings.Index(rest, name)
		if at < 0 {
			break
		}
		quoted := at > 0 && rest[at-1] == '"'
		rest = rest[at+len(name):]
		if !quoted {
			continue
		}
		rest = strings.TrimLeft(rest, " \t\r\n")
		value, is := strings.CutPrefix(rest, ":")
		if !is {
			continue // a text, not a name
		}
		if value = strings.TrimLeft(value, " \t\r\n"); value == "" || value[0] != '"' {
			continue
		}
		if p := fhir.ParseReference(gjson.Parse(value).String()); p.Type != "Patient" && p.IsLocal(base) {
			out = append(out, p.Local(base))
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
