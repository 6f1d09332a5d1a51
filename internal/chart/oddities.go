package chart

import (
	"slices"

	"dwellwatch/fhir"
)

// tidy takes out of an entry what should tell a day and cannot: an element of a wrong JSON kind, and a day that is given in two
// ways, of which nobody knows which holds. Each is named in Unread; the entry stays, and its day is unknown.
func (r *reader) tidy(n *node) {
	var given, twice []string
	for name, v := range n.doc.Members() {
		kind := fhir.DayKind(n.Type, name)
		if kind == 0 {
			continue
		}
		if choice := fhir.DayChoice(n.Type, name); choice != "" {
			if slices.Contains(given, choice) && !slices.Contains(twice, choice) {
				twice = append(twice, choice)
			}
			given = append(given, choice)
		}
		if v.Kind() != kind {
			r.unread(n, name, "of a wrong kind of JSON value; the day is taken as unknown")
			n.hidden = append(n.hidden, name)
		}
	}
	for _, choice := range twice {
		r.unread(n, choice, "given in more than one way; the day is taken as unknown")
		for name := range n.doc.Members() {
			if fhir.DayChoice(n.Type, name) == choice {
				n.hidden = append(n.hidden, name)
			}
		}
	}
}

// nameStatuses names every status that is no text, where nothing that read the entry has. No such status equals one that FHIR
// knows, so the entry has counted as one of unknown status.
func (r *reader) nameStatuses() {
	for _, n := range r.nodes {
		status := n.doc.Get("status")
		if !status.Exists() || status.Kind() == '"' {
			continue
		}
		path := n.Type + ".status"
		if !slices.ContainsFunc(r.out.Unread, func(u Unread) bool { return u.Resource == n.ref() && u.Path == path }) {
			r.unread(n, "status", "of a wrong kind of JSON value; it is taken as unknown")
		}
	}
}
