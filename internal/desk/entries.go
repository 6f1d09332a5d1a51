package desk

import (
	"slices"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/fhir"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/postgres"
)

// Entry is a record entry that a statement stands on.
type Entry struct {
	Ref    string // as evidence names it
	Anchor string // within the page
	What   string
	Day    string
	Status string
	Feed   string
	Link   string // where it is in the record; "" where that is not known
	raw    []byte
	kind   string
}

// entries lists the entries behind the filter's history and all that is said of it.
func (d Desk) entries(v View) []Entry {
	refs := slices.Clone(v.Filter.Evidence)
	for _, f := range v.Filter.Findings {
		refs = append(refs, f.Evidence...)
	}
	for _, c := range v.Filter.Contradictions {
		refs = append(refs, c.Evidence...)
	}
	refs = append(refs, v.Filter.AskedEvidence...)
	for i := range refs {
		refs[i], _, _ = strings.Cut(refs[i], "#")
	}
	slices.Sort(refs)
	refs = slices.Compact(refs)
	kept := map[string]postgres.Stored{}
	for _, s := range v.record.Resources {
		kept[d.nameOf(s)] = s
	}
	var out []Entry
	for _, ref := range refs {
		e := Entry{Ref: ref, Anchor: "entry-" + anchor(ref)}
		if s, ok := kept[ref]; ok {
			e.Feed, e.kind, e.raw = s.Feed, s.Resource.Type, s.Resource.Raw
			e.What, e.Day, e.Status = described(s.Resource.Raw)
			if base := d.Bases[s.Feed]; base != "" {
				e.Link = strings.TrimSuffix(base, "/") + "/" + s.Resource.Ref()
			}
		}
		out = append(out, e)
	}
	return out
}

// nameOf gives what evidence calls a kept resource.
func (d Desk) nameOf(s postgres.Stored) string {
	return d.prefix(s.Feed) + s.Resource.Ref()
}

// prefix is what evidence puts before Type/id of a feed's entries.
func (d Desk) prefix(feed string) string {
	switch base := d.Bases[feed]; {
	case feed == postgres.DefaultFeed:
		return ""
	case feed == postgres.LocalFeed:
		return entry.LocalBase
	case base != "":
		return strings.TrimSuffix(base, "/") + "/"
	}
	return "urn:dwellwatch:feed:" + feed + "/"
}

func anchor(ref string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' {
			return r
		}
		return '-'
	}, ref)
}

// described gives the words, day and status of a resource for people.
func described(raw []byte) (what, day, status string) {
	r := gjson.ParseBytes(raw)
	for _, path := range []string{"code.text", "code.coding.0.display", "type.text", "deviceName.0.name", "medicationCodeableConcept.text",
		"medicationCodeableConcept.coding.0.display", "medicationReference.display", "vaccineCode.text", "class.display", "description", "summary", "activity.text", "category.0.text", "type.coding.0.display", "device.display"} {
		if what = r.Get(path).String(); what != "" {
			break
		}
	}
	if what == "" {
		if c := r.Get("code.coding.0"); c.Exists() {
			what = "code " + c.Get("code").String()
		}
	}
	if q := r.Get("valueQuantity"); q.Exists() {
		what = strings.TrimSpace(what + " " + q.Get("value").String() + " " + q.Get("unit").String())
	}
	for _, path := range []string{"performedDateTime", "performedPeriod.start", "onsetDateTime", "effectiveDateTime", "effectivePeriod.start", "timingPeriod.start", "sent", "recorded", "authoredOn", "recordedDate", "period.start", "start", "dateAsserted", "issued", "date"} {
		if day = r.Get(path).String(); day != "" {
			break
		}
	}
	if len(day) > 10 {
		day = day[:10]
	}
	status = r.Get("status").String()
	if status == "" {
		status = r.Get("clinicalStatus.coding.0.code").String()
	}
	return what, day, status
}

// original gives an entry of the person with its references as evidence names them, so that its copy in another feed
// means the same.
func (d Desk) original(v View, ref string) (entry.Original, bool) {
	for _, s := range v.record.Resources {
		if d.nameOf(s) != ref {
			continue
		}
		prefix := d.prefix(s.Feed)
		raw := s.Resource.Raw
		if prefix != "" && s.Feed != postgres.LocalFeed {
			raw = fhir.RewriteReferences(raw, func(to string) (string, bool) {
				p := fhir.ParseReference(to)
				return prefix + to, p.Type != "" && p.Base == ""
			})
		}
		return entry.Original{Ref: ref, Type: s.Resource.Type, Raw: raw}, true
	}
	return entry.Original{}, false
}
