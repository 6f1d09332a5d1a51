package assess

import (
	"slices"
	"strings"

	"dwellwatch/internal/chart"
	"dwellwatch/internal/screen"
)

// nameless lists the entries that came without an id, as evidence names them: no other system knows them by the ids that
// they have here. Sorted.
func nameless(entries []chart.Entry) []string {
	var out []string
	for _, e := range entries {
		if !e.NamelessID() {
			continue
		}
		name := e.Ref()
		if e.Base != "" {
			name = strings.TrimSuffix(e.Base, "/") + "/" + name
		}
		out = append(out, name)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// knownPatient gives the patient under an id that the record has: the one given, unless that came without an id and an entry
// of the default feed names the person otherwise.
func knownPatient(patient string, entries []chart.Entry, nameless []string) string {
	if !slices.Contains(nameless, patient) {
		return patient
	}
	var others []string
	for _, e := range entries {
		if e.Base != "" {
			continue
		}
		other := "Patient/" + screen.Whose(e.Resource, e.Home).Patient
		if other != "Patient/" && !slices.Contains(nameless, other) {
			others = append(others, other)
		}
	}
	if len(others) == 0 {
		return patient
	}
	return slices.Min(others)
}
