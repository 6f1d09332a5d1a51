package assess

import (
	"slices"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/screen"
)

// Split sorts loose resources of the default feed into one record per patient, in order of patient id: what names the
// patient, and what these entries name that has no patient of its own. A patient is there who is named by a Patient
// resource or as the subject of any other.
func Split(resources []fhir.Resource, basis Basis) []Record {
	s := screen.Screener{Sets: basis.Sets, Models: basis.Models}
	byPatient := map[string][]screen.Item{}
	loose := map[string][]screen.Item{}
	for _, r := range resources {
		it := s.Item("default", r)
		if it.Patient == "" {
			loose[r.Ref()] = append(loose[r.Ref()], it)
			continue
		}
		byPatient[it.Patient] = append(byPatient[it.Patient], it)
	}
	var ids []string
	for id := range byPatient {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	var out []Record
	for _, id := range ids {
		rec := Record{Person: "Patient/" + id, Context: ContextInput}
		taken := map[string]bool{}
		queue := byPatient[id]
		for len(queue) > 0 {
			it := queue[0]
			queue = queue[1:]
			rec.Entries = append(rec.Entries, chart.Entry{Feed: it.Feed, Resource: it.Resource})
			for _, ref := range it.Refs {
				if !taken[ref] {
					taken[ref] = true
					queue = append(queue, loose[ref]...)
				}
			}
		}
		out = append(out, rec)
	}
	return out
}
