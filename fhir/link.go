package fhir

import "strconv"

// LinkFaults tells what of Patient.link cannot be read, so that two records of one patient are not joined: each with its path from
// the Patient. A link that says refer or seealso joins none, whatever it names. base is the address of the server that has the Patient.
// http://hl7.org/fhir/R4/patient-definitions.html#Patient.link
func LinkFaults(patient Value, base string) []Issue {
	link := patient.Member("link")
	var out []Issue
	warn := func(code, element, text string) {
		out = append(out, Issue{"warning", code, "Patient." + element, text + notJoined})
	}
	n := 0
	for l := range link.Each() {
		at := "link[" + strconv.Itoa(n) + "]"
		n++
		if !l.IsObject() {
			warn("structure", at, "a link is an object")
			continue
		}
		kind, joins := l.Member("type"), true
		switch said, _ := kind.Text(); {
		case !kind.Exists() || kind.Kind() == 'n':
			warn("required", at+".type", "the link does not say its type")
		case said == "refer" || said == "seealso":
			joins = false
		case said != "replaced-by" && said != "replaces":
			warn("code-invalid", at+".type", "this is not a type of link of FHIR R4")
		}
		other := l.Member("other")
		if other.Kind() == 'n' {
			other = Value{}
		}
		if p := ParseReference(other.Get("reference").String()); joins && p.Type == "Patient" && p.IsLocal(base) || !joins && other.Exists() {
			continue
		}
		code, why := unfollowed(other.bytes())
		warn(code, at+".other", why)
	}
	return out
}

// notJoined is what follows from a link that cannot be read.
const notJoined = "; the two records are not joined by it"
