package chart

// replaced reports whether a Patient is one that the record has merged into another: it says so itself, or the other does.
// http://hl7.org/fhir/R4/patient.html#merge
func (r *reader) replaced(patient *node) bool {
	for l := range patient.get("link").Each() {
		if l.Get("type").String() == "replaced-by" {
			return true
		}
	}
	for _, n := range r.nodes {
		if n.Type != "Patient" || n == patient {
			continue
		}
		for l := range n.get("link").Each() {
			if _, ref := r.target(n, l.Get("other")); l.Get("type").String() == "replaces" && ref == patient.ref() {
				return true
			}
		}
	}
	return false
}
