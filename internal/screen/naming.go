package screen

import (
	"slices"
	"strings"

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
func Name(r fhir.Resource, base string) Naming { return name(r, r.Document(), base) }

func name(r fhir.Resource, doc fhir.Value, base string) Naming {
	n := naming(r, doc, base)
	if r.Type != "Patient" {
		n.Refs = references(doc, base)
	}
	return n
}

// Whose is Name without Refs, which cost most.
func Whose(r fhir.Resource, base string) Naming { return naming(r, r.Document(), base) }

// Refs gives the Refs of Name.
func Refs(r fhir.Resource, base string) []string {
	if r.Type == "Patient" {
		return nil
	}
	return references(r.Document(), base)
}

func naming(r fhir.Resource, doc fhir.Value, base string) Naming {
	n := Naming{Retracted: retracted(r.Type, doc), Patient: patient(r, doc, base)}
	if r.Type != "Patient" {
		return n
	}
	for l := range doc.Get("link").Each() {
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

const inError = "entered-in-error"

func retracted(kind string, doc fhir.Value) bool {
	if kind != "Condition" && kind != "AllergyIntolerance" {
		return doc.Get("status").String() == inError
	}
	for code := range doc.Get("verificationStatus.coding").Every("code") {
		if code.String() == inError {
			return true
		}
	}
	return false
}

// patient gives the id of the patient that a resource is about.
func patient(r fhir.Resource, doc fhir.Value, base string) string {
	if r.Type == "Patient" {
		return r.ID
	}
	for _, path := range []string{"subject.reference", "patient.reference", "for.reference"} {
		if id := patientID(doc.Get(path).String(), base); id != "" {
			return id
		}
	}
	for reference := range doc.Get("participant").Every("actor.reference") {
		if id := patientID(reference.String(), base); id != "" {
			return id
		}
	}
	return ""
}

func patientID(reference, base string) string {
	if !strings.Contains(reference, "Patient/") {
		return ""
	}
	if p := fhir.ParseReference(reference); p.Type == "Patient" && p.IsLocal(base) {
		return p.ID
	}
	return ""
}

// references lists the entries of the same feed that a document names anywhere, but not patients. Sorted, once each.
func references(doc fhir.Value, base string) []string {
	var out []string
	for name, v := range doc.All() {
		if name != "reference" {
			continue
		}
		reference, _ := v.Text()
		if p := fhir.ParseReference(reference); p.Type != "Patient" && p.IsLocal(base) {
			out = append(out, p.Local(base))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
