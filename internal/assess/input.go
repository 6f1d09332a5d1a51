package assess

import (
	"maps"
	"slices"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/screen"
)

// Split sorts loose resources of the default feed into one record per patient, in order of patient id: what names the
// patient, and what these entries name that has no patient of its own. A patient is there who is named by a Patient
// resource or as the subject of any other. Patients that the newest copies link as replaced or replacing are one person, as in
// the store; the record goes by the lowest of their ids.
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
	var out []Record
	for _, group := range persons(byPatient) {
		rec := Record{Person: "Patient/" + group[0], Context: ContextInput}
		taken := map[string]bool{}
		var queue []screen.Item
		for _, id := range group {
			queue = append(queue, byPatient[id]...)
		}
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

// persons gives the patient ids of each person, in order, through chains and loops of links alike. A deletion or retraction
// says nothing of a link.
func persons(byPatient map[string][]screen.Item) [][]string {
	near := map[string][]string{}
	for id, items := range byPatient {
		var copies []chart.Entry
		links := map[string][]string{}
		for _, it := range items {
			if it.Resource.Type == "Patient" && !it.Retracted {
				copies = append(copies, chart.Entry{Feed: it.Feed, Resource: it.Resource})
				links[string(it.Resource.Raw)] = it.Links
			}
		}
		if len(copies) == 0 {
			continue
		}
		for _, other := range links[string(newestOf(copies).Raw)] {
			if _, here := byPatient[other]; here {
				near[id], near[other] = append(near[id], other), append(near[other], id)
			}
		}
	}
	var out [][]string
	seen := map[string]bool{}
	for _, first := range slices.Sorted(maps.Keys(byPatient)) {
		if seen[first] {
			continue
		}
		seen[first] = true
		group := []string{first}
		for n := 0; n < len(group); n++ {
			for _, other := range near[group[n]] {
				if !seen[other] {
					seen[other] = true
					group = append(group, other)
				}
			}
		}
		slices.Sort(group)
		out = append(out, group)
	}
	return out
}
