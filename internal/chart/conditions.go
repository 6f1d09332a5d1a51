package chart

import (
	"slices"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// classes maps value sets to what they mean for a filter. own says that the code itself is about filters.
func classes() []struct {
	set   string
	class rules.Class
	acute bool
	own   bool
} {
	return []struct {
		set   string
		class rules.Class
		acute bool
		own   bool
	}{
		{"pe-acute", rules.PE, true, false},
		{"dvt-acute", rules.DVT, true, false},
		{"caval-thrombosis-acute", rules.CavalThrombosis, true, false},
		{"bleed", rules.Bleed, true, false},
		{"thrombocytopenia", rules.Thrombocytopenia, true, false},
		{"hit", rules.HIT, true, false},
		{"bleeding-disorder", rules.BleedingDisorder, false, false},
		{"palliative", rules.Palliative, false, false},
		{"filter-displacement", rules.Displacement, true, true},
		{"filter-penetration", rules.Penetration, true, true},
		{"filter-fracture", rules.Fracture, true, true},
		{"device-thrombosis", rules.DeviceThrombosis, true, false},
		{"device-infection", rules.DeviceInfection, true, false},
		{"device-haemorrhage", rules.DeviceHaemorrhage, true, false},
		{"device-embolism", rules.DeviceEmbolism, true, false},
		{"device-pain", rules.DevicePain, true, false},
		{"device-stenosis", rules.DeviceStenosis, true, false},
		{"device-other", rules.DeviceOther, true, false},
	}
}

// condition reads a Condition that matters here; a refuted or retracted one is not read.
func (r *reader) condition(n *node) {
	verification := n.get("verificationStatus.coding.#.code").Array()
	for _, v := range verification {
		if v.String() == "refuted" || v.String() == "entered-in-error" {
			return
		}
	}
	code := r.concept(n.get("code"))
	r.mobileByCondition(n, code)
	r.presence(n, code)
	for _, k := range classes() {
		if !code.in(k.set) {
			continue
		}
		d := rules.Diagnosis{Class: k.class, Label: code.label, Acute: k.acute, Own: k.own, Encounter: r.encounterOf(n), Evidence: []filter.Ref{n.name}, Ended: filter.Unknown()}
		d.Onset, d.Recorded = r.onset(n)
		for _, v := range n.get("clinicalStatus.coding.#.code").Array() {
			d.Inactive = d.Inactive || slices.Contains([]string{"resolved", "inactive", "remission"}, v.String())
		}
		if n.get("abatementPeriod").Exists() {
			_, d.Ended, _ = r.period(n, "abatementPeriod")
		} else {
			d.Ended, _ = r.day(n, "abatementDateTime")
		}
		for _, c := range code.codes {
			if c.system == "http://hl7.org/fhir/sid/icd-10-cm" && len(c.code) >= 7 {
				last := c.code[len(c.code)-1]
				d.Later = d.Later || last == 'D' || last == 'S'
			}
		}
		r.complicationWords(n, code, &d)
		r.stillIn(n, k.own, code, d)
		r.out.Facts.Diagnoses = append(r.out.Facts.Diagnoses, d)
		return
	}
}

// presence reads a problem list's word that a filter is in: the code for the presence of a vascular implant with words that say
// which. The code alone belongs to many implants, and says nothing.
func (r *reader) presence(n *node, code concept) {
	if !presenceIn(n, code) {
		return
	}
	// Its onset is a day on which the filter was in; the day it was recorded may only be that of copying a list.
	when, _ := r.onset(n)
	r.out.Events = append(r.out.Events, filter.Event{Kind: filter.InPlace, When: when, Start: -1, Why: "problem list: " + code.label, Evidence: []filter.Ref{n.name}})
}

// stillIn reads a complication of a filter that says it was in place on the day it began: after a retrieval known from its code only
// that is a contradiction.
func (r *reader) stillIn(n *node, own bool, code concept, d rules.Diagnosis) {
	if !own || d.Later || !d.Onset.Known() || !saysStillIn(code.words+" . "+r.notes(n)) {
		return
	}
	r.out.Events = append(r.out.Events, filter.Event{Kind: filter.InPlace, When: d.Onset, Start: -1, Why: "complication: " + code.label, Evidence: []filter.Ref{n.name}})
}

// TellsPresence reports whether a Condition says, with the code for the presence of a vascular implant and in words, that a vena
// cava filter is in.
func TellsPresence(raw []byte, sets Sets) bool {
	r := &reader{sets: sets}
	n := &node{doc: gjson.ParseBytes(raw)}
	return presenceIn(n, r.concept(n.get("code")))
}

func presenceIn(n *node, code concept) bool {
	if !code.in("implant-present") || !saysFilter(code.words) || saysRemoval(code.words) {
		return false
	}
	for _, path := range []string{"verificationStatus.coding.#.code", "clinicalStatus.coding.#.code"} {
		for _, v := range n.get(path).Array() {
			if slices.Contains([]string{"refuted", "entered-in-error", "resolved", "inactive"}, v.String()) {
				return false
			}
		}
	}
	return !n.get("abatementDateTime").Exists() && !n.get("abatementPeriod").Exists()
}

func (r *reader) onset(n *node) (onset, recorded filter.Span) {
	if n.get("onsetPeriod").Exists() {
		onset, _, _ = r.period(n, "onsetPeriod")
	} else {
		onset, _ = r.day(n, "onsetDateTime")
	}
	recorded, _ = r.day(n, "recordedDate")
	if !recorded.Known() {
		recorded = r.written(n)
	}
	return onset, recorded
}

// complicationWords reads what text, notes and body site add to a complication's code.
func (r *reader) complicationWords(n *node, code concept, d *rules.Diagnosis) {
	text := code.words + " . " + r.notes(n)
	site := r.siteOf(n)
	text += site.words
	for _, e := range n.get("evidence").Array() {
		for _, v := range e.Get("detail").Array() {
			if _, ref := r.target(n, v); ref != "" {
				t, _ := r.target(n, v)
				if t != nil && t.device != nil {
					d.Devices = append(d.Devices, ref)
					d.Evidence = append(d.Evidence, ref)
					d.Own = true
				}
			}
		}
		text += " . " + r.concept(e.Get("code")).words
	}
	d.Own = d.Own || site.cava || saysFilter(text) || says(text, "vena cava", "caval", "ivc")
	d.Words = rules.Words{
		Pain:         says(text, "pain", "painful"),
		Bleeding:     says(text, "bleeding", "haemorrhage", "hemorrhage", "haematoma", "hematoma"),
		Organ:        site.organ || says(text, "duodenum", "duodenal", "bowel", "aorta", "aortic", "ureter", "kidney", "pancreas", "liver", "vertebra", "vertebral", "organ contact", "organ injury"),
		HeartOrLung:  site.heart || saysInHeart(text),
		Missing:      says(text, "missing", "unaccounted", "fragment not seen", "fragment lost"),
		Asymptomatic: says(text, "asymptomatic", "incidental", "no symptoms"),
		Swelling:     says(text, "swelling", "oedema", "edema"),
		New:          says(text, "new", "recurrent"),
	}
}

// site is where a complication lies, by code and by words.
type site struct {
	words              string
	heart, organ, cava bool
}

// siteOf reads the body sites of a Condition. A code counts without its display, too.
func (r *reader) siteOf(n *node) site {
	var s site
	for _, v := range n.get("bodySite").Array() {
		c := r.concept(v)
		s.words += " . " + c.words
		s.heart = s.heart || c.in("site-heart-lung")
		s.organ = s.organ || c.in("site-organ")
		s.cava = s.cava || c.in("site-cava")
	}
	s.heart = s.heart || saysHeart(s.words)
	return s
}
