package chart

import (
	"cmp"
	"strings"

	"dwellwatch/fhir"
)

// links names what of a Patient's links cannot be read: a record that was merged with it is then not looked at.
func (r *reader) links(n *node) {
	if n.Feed == LocalFeed {
		return
	}
	for _, i := range fhir.LinkFaults(n.doc, cmp.Or(n.Home, n.Base)) {
		r.unread(n, strings.TrimPrefix(i.Expression, "Patient."), i.Text)
	}
}
