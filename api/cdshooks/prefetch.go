package cdshooks

import (
	"encoding/json"
	"maps"
	"net/url"
	"slices"
	"strings"

	"dwellwatch/fhir"
)

// state says what became of one key of the prefetch. A key that was not sent has none.
type state int

const (
	absent  state = iota // the client declined, or could not
	nothing              // the client looked and found nothing: null, or an empty Bundle
	got                  // all there is
	part                 // a page, or what a narrower search gave: it proves what it shows and no absence
	failed               // the lookup failed, or what came cannot be read
)

// prefetched is what a call brought.
type prefetched struct {
	states    map[string]state
	resources []fhir.Resource
	keys      map[string][]fhir.Resource // the same by key
}

// state of a key.
func (p prefetched) state(key string) state { return p.states[key] }

// whole reports that a key's data is all there is, so that what it does not show is not there.
func (p prefetched) whole(key string) bool { return p.states[key] == got || p.states[key] == nothing }

// unsent lists the keys that we ask for and did not get, or not wholly, sorted.
func (p prefetched) unsent() []string {
	var out []string
	for _, key := range slices.Sorted(maps.Keys(prefetch())) {
		if !p.whole(key) {
			out = append(out, key)
		}
	}
	return out
}

func (p *parser) prefetch(raw json.RawMessage) prefetched {
	out := prefetched{states: map[string]state{}, keys: map[string][]fhir.Resource{}}
	var all map[string]json.RawMessage
	if !p.object(raw, "prefetch", false, &all) {
		return out
	}
	for _, key := range slices.Sorted(maps.Keys(all)) {
		value := all[key]
		switch {
		case string(value) == "null":
			out.states[key] = nothing
		case value[0] != '{':
			p.fault("structure", "prefetch."+told(key), "a FHIR resource or null was expected")
		default:
			s, resources := look(value)
			if key == keyPatient && s == part && len(resources) > 0 {
				s = got // found by its id
			}
			out.states[key] = s
			out.keys[key] = resources
			out.resources = append(out.resources, resources...)
		}
	}
	return out
}

// told is a key as it may be repeated: one that is no name of ours could hold anything.
func told(key string) string {
	if fhir.ValidID(key) {
		return key
	}
	return "(key)"
}

// look reads the value of one key.
func look(value json.RawMessage) (state, []fhir.Resource) {
	r, b, err := decoded(value)
	switch {
	case err != nil || r.Type == "OperationOutcome":
		return failed, nil
	case r.Type != "Bundle":
		return got, []fhir.Resource{r}
	}
	var out []fhir.Resource
	faulty, matches := false, 0
	for _, e := range b.Entries {
		switch {
		case e.Fault != nil:
			faulty = true
		case e.HasResource && e.Resource.Type == "OperationOutcome":
			faulty = faulty || grave(e.Resource.Raw)
		case e.HasResource:
			matches++
			if e.Resource.ID != "" {
				out = append(out, e.Resource)
			}
		}
	}
	switch h := headOf(r); {
	case faulty && matches == 0:
		return failed, nil
	case faulty || h.more(matches) || h.narrowed():
		return part, out
	case matches == 0:
		return nothing, nil
	}
	return got, out
}

// decoded reads a resource, and the entries of a Bundle. What is sound is read once; what is not, as loosely as it can be.
func decoded(value []byte) (fhir.Resource, fhir.Bundle, error) {
	r, b, err := fhir.DecodeWhole(value)
	if err == nil && !slices.ContainsFunc(b.Entries, func(e fhir.Entry) bool { return e.Fault != nil }) {
		return r, b, nil
	}
	return loosely(value)
}

// grave reports an OperationOutcome that says more than a warning.
func grave(raw []byte) bool {
	var o struct {
		Issue []struct {
			Severity string `json:"severity"`
		} `json:"issue"`
	}
	if json.Unmarshal(raw, &o) != nil {
		return true
	}
	for _, i := range o.Issue {
		if i.Severity == "fatal" || i.Severity == "error" {
			return true
		}
	}
	return false
}

// head is what a searchset says of itself.
type head struct {
	Total *int64 `json:"total"`
	Link  []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	} `json:"link"`
	odd bool // one of them cannot be read
}

// headOf reads it without looking into the entries.
func headOf(r fhir.Resource) head {
	var h head
	for name, v := range r.Document().Members() {
		var err error
		switch name {
		case "total":
			err = json.Unmarshal([]byte(v.Raw()), &h.Total)
		case "link":
			err = json.Unmarshal([]byte(v.Raw()), &h.Link)
		}
		h.odd = h.odd || err != nil
	}
	return h
}

// more reports that there are further pages. They are not fetched: that would need the client's access token and its server.
func (h head) more(matches int) bool {
	for _, l := range h.Link {
		if l.Relation == "next" {
			return true
		}
	}
	return h.odd || h.Total != nil && *h.Total > int64(matches)
}

// narrowed reports a search that asked for less than everything of the patient, as its own link tells.
func (h head) narrowed() bool {
	for _, l := range h.Link {
		if l.Relation != "self" {
			continue
		}
		_, query, _ := strings.Cut(l.URL, "?")
		values, err := url.ParseQuery(query)
		if err != nil {
			return true
		}
		for name := range values {
			if !slices.Contains([]string{"patient", "subject", "patient:Patient", "subject:Patient", "patient.identifier", "_count", "_sort", "_format", "_pretty", "_total", "_include", "_revinclude"}, name) &&
				!strings.HasPrefix(name, "_getpages") && !strings.HasPrefix(name, "_offset") && !strings.HasPrefix(name, "_bundletype") {
				return true
			}
		}
	}
	return false
}
