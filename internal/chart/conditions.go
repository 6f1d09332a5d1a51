package chart

import (
	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// meaning is what a value set means for a filter. own says that the code itself is about filters.
type meaning struct {
	class      rules.Class
	acute, own bool
}

// meant lists the value sets of conditions that mean something, in the order in which one of several is taken.
func meant() [18]string {
	return [...]string{"pe-acute", "dvt-acute", "caval-thrombosis-acute", "bleed", "thrombocytopenia", "hit", "bleeding-disorder", "palliative", "filter-displacement", "filter-penetration", "filter-fracture", "device-thrombosis", "device-infection", "device-haemorrhage", "device-embolism", "device-pain", "device-stenosis", "device-other"}
}

// meaningOf gives what a value set means.
func meaningOf(set string) meaning {
	switch set {
	case "pe-acute":
		return meaning{rules.PE, true, false}
	case "dvt-acute":
		return meaning{rules.DVT, true, false}
	case "caval-thrombosis-acute":
		return meaning{rules.CavalThrombosis, true, false}
	case "bleed":
		return meaning{rules.Bleed, true, false}
	case "thrombocytopenia":
		return meaning{rules.Thrombocytopenia, true, false}
	case "hit":
		return meaning{rules.HIT, true, false}
	case "bleeding-disorder":
		return meaning{rules.BleedingDisorder, false, false}
	case "palliative":
		return meaning{rules.Palliative, false, false}
	case "filter-displacement":
		return meaning{rules.Displacement, true, true}
	case "filter-penetration":
		return meaning{rules.Penetration, true, true}
	case "filter-fracture":
		return meaning{rules.Fracture, true, true}
	case "device-thrombosis":
		return meaning{rules.DeviceThrombosis, true, false}
	case "device-infection":
		return meaning{rules.DeviceInfection, true, false}
	case "device-haemorrhage":
		return meaning{rules.DeviceHaemorrhage, true, false}
	case "device-embolism":
		return meaning{rules.DeviceEmbolism, true, false}
	case "device-pain":
		return meaning{rules.DevicePain, true, false}
	case "device-stenosis":
		return meaning{rules.DeviceStenosis, true, false}
	case "device-other":
		return meaning{rules.DeviceOther, true, false}
	}
	return meaning{}
}

// condition reads a Condition that matters here; a refuted or retracted one is not read.
func (r *reader) condition(n *node) {
	if n.coded("verificationStatus", "refuted", "entered-in-error") {
		return
	}
	code := r.concept(n.get("code"))
	r.mobileByCondition(n, code)
	r.presence(n, code)
	if len(code.sets) == 0 {
		return
	}
	for _, set := range meant() {
		if !code.in(set) {
			continue
		}
		k := meaningOf(set)
		d := rules.Diagnosis{Class: k.class, Label: code.label(), Acute: k.acute, Own: k.own, Names: k.own, Encounter: r.encounterOf(n), Evidence: n.evidence(), Ended: filter.Unknown()}
		b := r.onset(n)
		d.Onset, d.Recorded = b.onset, b.recorded
		d.Inactive = n.coded("clinicalStatus", "resolved", "inactive", "remission")
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
	// Its onset is a day on which the filter was in; the day it was recorded may only be that of copying a list, unless its onset was yet to
	// come on that day.
	b := r.onset(n)
	e := filter.Event{Kind: filter.InPlace, When: b.onset, Start: -1, Why: "problem list: " + code.label(), Evidence: n.evidence()}
	switch {
	case b.impossible:
		e.When = b.recorded
	case b.yetToCome():
		e.Told = b.recorded
	}
	r.out.Events = append(r.out.Events, e)
}

// stillIn reads a complication of a filter that says it was in place on the day it began: after a retrieval known from its code only
// that is a contradiction.
func (r *reader) stillIn(n *node, own bool, code concept, d rules.Diagnosis) {
	if !own || d.Later || !d.Onset.Known() || !saysStillIn(code.words+" . "+r.notes(n)) {
		return
	}
	r.out.Events = append(r.out.Events, filter.Event{Kind: filter.InPlace, When: d.Onset, Start: -1, Why: "complication: " + code.label(), Evidence: n.evidence()})
}

// TellsPresence reports whether a Condition says, with the code for the presence of a vascular implant and in words, that a vena
// cava filter is in.
func TellsPresence(doc fhir.Value, sets Sets) bool {
	r := &reader{sets: sets}
	n := &node{Entry: &Entry{}, room: &r.room, doc: doc}
	return presenceIn(n, r.concept(n.get("code")))
}

func presenceIn(n *node, code concept) bool {
	if !code.in("implant-present") || !saysFilter(code.words) || saysRemoval(code.words) {
		return false
	}
	for _, element := range []string{"verificationStatus", "clinicalStatus"} {
		if n.coded(element, "refuted", "entered-in-error", "resolved", "inactive") {
			return false
		}
	}
	return !n.get("abatementDateTime").Exists() && !n.get("abatementPeriod").Exists()
}

// complicationWords reads what text, notes and body site add to a complication's code.
func (r *reader) complicationWords(n *node, code concept, d *rules.Diagnosis) {
	text := code.words + " . " + r.notes(n)
	site := r.siteOf(n)
	text += site.words
	for e := range n.get("evidence").Each() {
		for v := range e.Get("detail").Each() {
			if _, ref := r.target(n, v); ref != "" {
				t, _ := r.target(n, v)
				if t != nil && t.device != nil {
					d.Devices = append(d.Devices, ref)
					d.Evidence = append(d.Evidence, ref)
					d.Own, d.Names = true, true
				}
			}
		}
		text += " . " + r.concept(e.Get("code")).words
	}
	said := func(phrases ...string) bool { return says(text, phrases...) }
	d.Words.New = said("new", "recurrent")
	if !complicates(d.Class) {
		return // no other word is asked for
	}
	d.Names = d.Names || saysFilter(text)
	d.Own = d.Own || d.Names || site.cava || said("vena cava", "caval", "ivc")
	d.Words = rules.Words{
		Pain:         said("pain", "painful"),
		Bleeding:     said("bleeding", "haemorrhage", "hemorrhage", "haematoma", "hematoma"),
		Organ:        site.organ || said("duodenum", "duodenal", "bowel", "aorta", "aortic", "ureter", "kidney", "pancreas", "liver", "vertebra", "vertebral", "organ contact", "organ injury"),
		HeartOrLung:  site.heart || saysInHeart(text),
		Missing:      said("missing", "unaccounted", "fragment not seen", "fragment lost"),
		Asymptomatic: said("asymptomatic", "incidental", "no symptoms"),
		Swelling:     said("swelling", "oedema", "edema"),
		New:          d.Words.New,

		FilterInHeart: saysFilterInHeart(text, site.heart),
		Out:           saysOut(text, false),
		HeartOut:      saysOut(text, true),
	}
	d.Words.AtRetrieval, d.Words.AfterRetrieval = saysAtRetrieval(text)
}

// complicates reports a class of what can be a complication of a filter.
func complicates(class rules.Class) bool {
	switch class {
	case rules.PE, rules.DVT, rules.Bleed, rules.Thrombocytopenia, rules.HIT, rules.BleedingDisorder, rules.Palliative:
		return false
	}
	return true
}

// site is where a complication lies, by code and by words.
type site struct {
	words              string
	heart, organ, cava bool
}

// siteOf reads the body sites of a Condition. A code counts without its display, too.
func (r *reader) siteOf(n *node) site {
	var s site
	for v := range n.get("bodySite").Each() {
		c := r.concept(v)
		s.words += " . " + c.words
		s.heart = s.heart || c.in("site-heart-lung")
		s.organ = s.organ || c.in("site-organ")
		s.cava = s.cava || c.in("site-cava")
	}
	s.heart = s.heart || saysHeart(s.words)
	return s
}
