package assess

import (
	"maps"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/screen"
)

// Split sorts loose resources of the default feed into one record per patient, in order of patient id: what names the
// patient, and what these entries name that has no patient of its own. A patient is there who is named by a Patient
// resource or as the subject of any other. Patients that the newest copies link as replaced or replacing are one person, as in
// the store; the record goes by the lowest of their ids.
func Split(resources []fhir.Resource) []Record { return (*Room)(nil).Split(resources) }

// Split is the function of that name.
func (m *Room) Split(resources []fhir.Resource) []Record {
	all, entries := m.take(len(resources))
	byPatient := map[string][]*named{}
	var loose map[string][]*named
	for i := range resources {
		it := &all[i]
		it.Resource, it.Naming = &resources[i], screen.Whose(resources[i], "")
		if it.Patient == "" {
			if loose == nil {
				loose = map[string][]*named{}
			}
			loose[it.Ref()] = append(loose[it.Ref()], it)
			continue
		}
		have, known := byPatient[it.Patient]
		if !known {
			have = make([]*named, 0, min(32, len(resources)-i))
		}
		byPatient[it.Patient] = append(have, it)
	}
	var out []Record
	for _, group := range persons(byPatient) {
		rec := Record{Person: "Patient/" + group[0], Context: ContextInput}
		taken := map[string]bool{}
		queue := byPatient[group[0]]
		for _, id := range group[1:] {
			queue = append(queue, byPatient[id]...)
		}
		for n := 0; n < len(queue) && len(loose) > 0; n++ {
			for _, ref := range screen.Refs(*queue[n].Resource, "") {
				if !taken[ref] {
					taken[ref] = true
					queue = append(queue, loose[ref]...)
				}
			}
		}
		queue = append(queue, corrections(loose, queue)...)
		// In this order no later step has anything to sort.
		slices.SortStableFunc(queue, byTypeAndID)
		from := len(entries)
		for _, it := range queue {
			entries = append(entries, chart.Entry{Feed: "default", Resource: *it.Resource})
		}
		rec.Entries = entries[from:len(entries):len(entries)]
		out = append(out, rec)
	}
	return out
}

func byTypeAndID(a, b *named) int {
	if c := strings.Compare(a.Type, b.Type); c != 0 {
		return c
	}
	return strings.Compare(a.ID, b.ID)
}

// corrections gives each Provenance that names one of a patient's entries: it names no patient itself.
func corrections(loose map[string][]*named, of []*named) []*named {
	var out []*named
	for _, list := range loose {
		for _, it := range list {
			if it.Type != "Provenance" {
				continue
			}
			refs := screen.Refs(*it.Resource, "")
			if slices.ContainsFunc(of, func(e *named) bool { return slices.Contains(refs, e.Ref()) }) {
				out = append(out, it)
			}
		}
	}
	return out
}

// named is a resource with what it names.
type named struct {
	*fhir.Resource
	screen.Naming
}

// persons gives the patient ids of each person, in order, through chains and loops of links alike. A deletion or retraction
// says nothing of a link.
func persons(byPatient map[string][]*named) [][]string {
	near := map[string][]string{}
	for id, items := range byPatient {
		if !slices.ContainsFunc(items, func(it *named) bool { return len(it.Links) > 0 && !it.Retracted }) {
			continue
		}
		var copies []chart.Entry
		for _, it := range items {
			if it.Type == "Patient" && !it.Retracted {
				copies = append(copies, chart.Entry{Feed: "default", Resource: *it.Resource})
			}
		}
		for _, other := range screen.Whose(newestOf(copies).Resource, "").Links {
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
