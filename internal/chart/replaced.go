package chart

// replaced reports whether a Patient is one that the record has merged into another: it says so itself, or the other does.
// http://hl7.org/fhir/R4/patient.html#merge
func (r *reader) replaced(patient *node) bool {
	for _, l := range patient.get("link").Array() {
		if l.Get("type").String() == "replaced-by" {
			return true
		}
	}
	for _, n := range r.nodes {
		if n.Type != "Patient" || n == patient {
			continue
		}
		for _, l := range n.get("link").Array() {
			if _, ref := r.target(n, l.Get("other")); l.Get("type").String() == "replaces" && ref == patient.name {
				return true
			}
		}
	}
	return false
}
