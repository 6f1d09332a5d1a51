package chart

import (
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// What examinations tell of the filter, of the cava and of the way to it is read by the site's own codes only: published ones that
// mean just this are not known here, so these sets ship empty. Words are not read: a tilt in a report's text may be denied in it.

// signOf gives the sign that a set of codes means, and the kind of its value; "" for any other set.
func signOf(set string) (sign rules.Sign, kind string) {
	switch set {
	case "filter-tilt":
		return rules.Tilt, "degrees"
	case "filter-thrombus":
		return rules.ThrombusShare, "percent"
	case "penetration-grade":
		return rules.Grade, "grade"
	case "hook-embedded":
		return rules.HookEmbedded, "yes"
	case "caval-occluded":
		return rules.CavaOccluded, "yes"
	case "jugular-patent":
		return rules.JugularPatent, "yes"
	case "femoral-patent":
		return rules.FemoralPatent, "yes"
	}
	return "", ""
}

// studyOf gives what examination a set of codes means; "" for any other set.
func studyOf(set string) string {
	if what, ok := strings.CutPrefix(set, "imaging-"); ok && slices.Contains([]string{"imaging-ct-abdomen", "imaging-duplex", "imaging-cavogram"}, set) {
		return what
	}
	return ""
}

// signs reads an Observation whose code, or coded value, is of one of the sets, and likewise each of its components.
func (r *reader) signs(n *node, code concept) {
	r.signIn(n, n.doc, code)
	for part := range n.get("component").Each() {
		r.signIn(n, part, r.concept(part.Get("code")))
	}
}

func (r *reader) signIn(n *node, v fhir.Value, code concept) {
	if v.Get("dataAbsentReason").Exists() {
		return
	}
	answer := ""
	if coded := v.Get("valueCodeableConcept"); coded.Exists() {
		said := r.concept(coded)
		r.signsSaid(n, said)
		if answer = yesOrNo(said); answer == "" {
			return
		}
	}
	for _, set := range code.sets {
		sign, kind := signOf(set)
		m := rules.Measure{Sign: sign}
		switch kind {
		case "":
			continue
		case "yes":
			value := v.Get("valueBoolean")
			if !value.Exists() && hasValue(v) {
				r.unread(n, "value[x]", "the sign is yes or no, and the value is neither; it is not used")
				continue
			}
			m.Yes = answer == "yes" || answer == "" && (!value.Exists() || value.Bool())
		default:
			number, ok := numberOf(v, kind)
			if !ok {
				r.unread(n, "value[x]", "not a number in a unit that is known for this sign; it is not used")
				continue
			}
			m.Value = number
			if kind == "grade" {
				m.Scale = strings.Trim(r.concept(n.get("method")).words, " .")
			}
		}
		r.measure(n, m)
	}
}

// yesOrNo reads a coded answer. http://terminology.hl7.org/CodeSystem/v2-0136 Y and N, SNOMED CT 373066001 and 373067005, LOINC LA33-6 and
// LA32-8; the codes of the latter two are from memory.
func yesOrNo(c concept) string {
	for _, k := range c.codes {
		switch k {
		case coding{"http://terminology.hl7.org/CodeSystem/v2-0136", "Y"}, coding{"http://snomed.info/sct", "373066001"}, coding{"http://loinc.org", "LA33-6"}:
			return "yes"
		case coding{"http://terminology.hl7.org/CodeSystem/v2-0136", "N"}, coding{"http://snomed.info/sct", "373067005"}, coding{"http://loinc.org", "LA32-8"}:
			return "no"
		}
	}
	return ""
}

// signsSaid reads codes that say yes by being there: a coded answer, or the conclusion of a report.
func (r *reader) signsSaid(n *node, c concept) {
	for _, set := range c.sets {
		if sign, kind := signOf(set); kind == "yes" {
			r.measure(n, rules.Measure{Sign: sign, Yes: true})
		}
	}
}

// numberOf gives the number of a value in the unit of its kind (UCUM: deg, %; a grade has none).
func numberOf(v fhir.Value, kind string) (float64, bool) {
	if whole := v.Get("valueInteger"); whole.Exists() {
		return whole.Float(), kind == "grade" && whole.Float() >= 0
	}
	q := v.Get("valueQuantity")
	unit := q.Get("code").String()
	if unit == "" {
		unit = q.Get("unit").String()
	}
	number := q.Get("value")
	if !number.Exists() || q.Get("comparator").Exists() || number.Float() < 0 {
		return 0, false
	}
	switch kind + " " + strings.ToLower(strings.TrimSpace(unit)) {
	case "degrees deg", "degrees degree", "degrees degrees", "degrees °":
		return number.Float(), number.Float() <= 180
	case "percent %", "percent percent":
		return number.Float(), number.Float() <= 100
	case "grade ", "grade 1", "grade {grade}", "grade {score}":
		return number.Float(), true
	}
	return 0, false
}

// measure keeps a sign with its day, its side and the device that the entry is about.
func (r *reader) measure(n *node, m rules.Measure) {
	m.When = r.examined(n)
	if !m.When.Bounded() {
		r.unread(n, "effective[x]", "what an examination tells without a day is not used")
		return
	}
	site := r.concept(n.get("bodySite")).words
	left, right := says(site, "left"), says(site, "right")
	switch {
	case left && !right:
		m.Side = "left"
	case right && !left:
		m.Side = "right"
	}
	m.Evidence = n.evidence()
	for v := range n.get("focus").Each() {
		if t, ref := r.target(n, v); ref != "" && (t != nil && t.Type == "Device" || t == nil && strings.Contains(ref, "Device/")) {
			m.Of = append(m.Of, ref)
		}
	}
	r.out.Facts.Measures = append(r.out.Facts.Measures, m)
}

// examined gives the day of an Observation or DiagnosticReport.
func (r *reader) examined(n *node) filter.Span {
	day, _ := r.day(n, "effectiveDateTime")
	if n.get("effectivePeriod").Exists() {
		day, _, _ = r.period(n, "effectivePeriod")
	}
	if !day.Known() {
		day, _ = r.day(n, "issued")
	}
	return day
}

// studyReport reads a DiagnosticReport whose code says which examination it was.
func (r *reader) studyReport(n *node, code concept) {
	for v := range n.get("conclusionCode").Each() {
		r.signsSaid(n, r.concept(v))
	}
	place := ""
	for v := range n.get("performer").Each() {
		if place == "" {
			place = v.Get("display").String()
		}
	}
	r.study(n, []concept{code}, place, r.examined)
}

// imagingStudy reads an ImagingStudy whose procedure code says which examination it was.
func (r *reader) imagingStudy(n *node) {
	if n.status() != "available" {
		return
	}
	var codes []concept
	for v := range n.get("procedureCode").Each() {
		codes = append(codes, r.concept(v))
	}
	r.study(n, codes, n.get("location.display").String(), func(n *node) filter.Span {
		day, _ := r.day(n, "started")
		return day
	})
}

func (r *reader) study(n *node, codes []concept, place string, day func(*node) filter.Span) {
	var seen []string
	for _, c := range codes {
		for _, set := range c.sets {
			what := studyOf(set)
			if what == "" || slices.Contains(seen, what) {
				continue
			}
			seen = append(seen, what)
			r.out.Facts.Studies = append(r.out.Facts.Studies, rules.Study{Modality: what, Place: strings.Join(strings.Fields(place), " "), When: day(n), Evidence: n.evidence()})
		}
	}
}
