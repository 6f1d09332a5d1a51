package fhir

// NoPatient tells why nobody could say whose resource this is, for a resource about a filter that names no patient in a
// form that is followed. kept says whether it was kept until its patient is known. ok is false for types that need no patient.
func NoPatient(r Resource, kept bool) (i Issue, ok bool) {
	element := "subject"
	switch r.Type {
	case "Device":
		element = "patient"
	case "Procedure", "DeviceUseStatement":
	default:
		return Issue{}, false
	}
	value := members(r.Raw, element)[element]
	code, why := unfollowed(value)
	then := "; nothing of it is assessed until it names a patient"
	if kept && r.Type == "Device" {
		then = "; it is kept, but not assessed until it, or an entry that names this device, names a patient"
	} else if kept {
		then = "; it is kept, but not assessed until it names a patient"
	}
	return Issue{"warning", code, r.Type + "." + element, why + then +
		`. Understood is a reference "Patient/[id]" of this feed, or the same below the feed's own base URL`}, true
}

// TemporaryPatient reports a resource that names whom it is about, or whom a Patient is linked to, by a temporary name (urn:uuid:...),
// which means nothing outside the delivery in which it came.
func TemporaryPatient(r Resource) bool {
	doc := r.Document()
	for l := range doc.Get("link").Each() {
		if r.Type == "Patient" && ParseReference(l.Get("other.reference").String()).URN != "" {
			return true
		}
	}
	for _, element := range []string{"subject", "patient", "for"} {
		if ParseReference(doc.Get(element+".reference").String()).URN != "" {
			return true
		}
	}
	return false
}

// unfollowed says why a reference leads to no patient of the feed, and which code of an issue that is.
func unfollowed(reference []byte) (code, why string) {
	if reference == nil {
		return "required", "no patient is named"
	}
	m := members(reference, "reference", "identifier")
	at := ParseReference(text(m["reference"]))
	switch {
	case m["reference"] == nil && m["identifier"] != nil:
		return "not-supported", "the patient is named by an identifier only, which this service cannot look up"
	case m["reference"] == nil:
		return "required", "the patient is not named by a reference; a display alone tells nobody apart"
	case at.Contained != "":
		return "not-supported", "the patient is a contained resource, which has no identity of its own"
	case at.URN != "":
		return "not-found", "the patient is named by a temporary name that no entry of the delivery bears"
	case at.Conditional:
		return "not-supported", "the patient is named by a search, which this service cannot do"
	case at.Type == "":
		return "value", "the reference to the patient cannot be read"
	case at.Type != "Patient":
		return "value", "what is named is not a Patient"
	}
	return "not-found", "the patient is named by an address that is not below the base URL of this feed, which this service does not follow"
}
