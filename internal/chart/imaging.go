package chart

import (
	"cmp"
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
		if r.signsSaid(n, said) || noAnswer(said) {
			return
		}
		if answer = yesOrNo(said); answer == "" {
			answer = "another"
		}
	} else if value := v.Get("valueBoolean"); value.Exists() {
		answer = "no"
		if value.Bool() {
			answer = "yes"
		}
	}
	for _, set := range code.sets {
		sign, kind := signOf(set)
		if kind == "" {
			continue
		}
		m := rules.Measure{Sign: sign}
		switch {
		case kind == "yes":
			m.Yes = answer == "yes" || answer == "" && !hasValue(v)
			if answer == "another" || answer == "" && hasValue(v) {
				m.Unread = "the sign is yes or no, and the value is neither"
			}
		case kind == "percent" && answer == "yes":
			m.Form = rules.Some
		case kind == "percent" && answer == "no":
		case answer == "" && !hasValue(v) && n.get("component").Exists():
			continue // the number stands in a component
		default:
			m, m.Unread = numberOf(v, m, kind)
			if kind == "grade" {
				m.Scale = strings.Trim(r.concept(n.get("method")).words, " .")
			}
		}
		if m.Unread != "" {
			r.unread(n, "value[x]", m.Unread+"; it counts as recorded, and what it says as not known")
		}
		r.measure(n, m)
	}
}

// noAnswer reports a coded answer that says that nothing is known: a null flavour, a reason why data are absent, or SNOMED CT
// 261665006 (from memory).
func noAnswer(c concept) bool {
	return slices.ContainsFunc(c.codes, func(k coding) bool {
		return k.system == "http://terminology.hl7.org/CodeSystem/v3-NullFlavor" || k.system == "http://terminology.hl7.org/CodeSystem/data-absent-reason" ||
			k == coding{"http://snomed.info/sct", "261665006"}
	})
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

// signsSaid reads codes that say yes by being there: a coded answer, or the conclusion of a report. Of a sign that is a number they
// say that there is something, and not how much. It reports whether any did.
func (r *reader) signsSaid(n *node, c concept) (found bool) {
	for _, set := range c.sets {
		sign, kind := signOf(set)
		m := rules.Measure{Sign: sign, Yes: kind == "yes"}
		switch kind {
		case "":
			continue
		case "percent":
			m.Form = rules.Some
		case "degrees", "grade":
			m.Unread = "told by a code alone, without its number"
			path := "value[x]"
			if n.Type == "DiagnosticReport" {
				path = "conclusionCode"
			}
			r.unread(n, path, m.Unread+"; it counts as recorded, and what it says as not known")
		}
		r.measure(n, m)
		found = true
	}
	return found
}

// numberOf reads the number of a value in the unit of its kind (UCUM: deg, %; a grade has none) into a measure, or says why it cannot.
func numberOf(v fhir.Value, m rules.Measure, kind string) (rules.Measure, string) {
	if whole := v.Get("valueInteger"); whole.Exists() {
		if kind != "grade" {
			return m, "a number without a unit"
		}
		m.Value = whole.Float()
		return m, outOfRange(m.Value, kind)
	}
	if r := v.Get("valueRange"); r.Exists() {
		return rangeOf(r, m, kind)
	}
	q := v.Get("valueQuantity")
	if !q.Exists() {
		return m, "not a number"
	}
	value, fault := quantity(q, kind)
	if fault != "" {
		return m, fault
	}
	m.Value = value
	if c := q.Get("comparator"); c.Exists() {
		m.Form = rules.Form(c.String())
		if !slices.Contains([]rules.Form{rules.Above, rules.AtLeast, rules.Below, rules.AtMost}, m.Form) {
			m.Form = rules.Exactly
			return m, "told with a comparator that is not known"
		}
	}
	return m, ""
}

// rangeOf reads a range, of which one end may be open.
func rangeOf(r fhir.Value, m rules.Measure, kind string) (rules.Measure, string) {
	low, high := r.Get("low"), r.Get("high")
	var faults [2]string
	if low.Exists() {
		m.Value, faults[0] = quantity(low, kind)
		m.Form = rules.AtLeast
	}
	if high.Exists() {
		m.Top, faults[1] = quantity(high, kind)
	}
	switch {
	case faults[0] != "" || faults[1] != "":
		m.Value, m.Top, m.Form = 0, 0, rules.Exactly
		return m, cmp.Or(faults[0], faults[1])
	case low.Exists() && high.Exists():
		m.Form = rules.Between
		if m.Value > m.Top {
			m.Value, m.Top, m.Form = 0, 0, rules.Exactly
			return m, "a range that ends before it begins"
		}
	case high.Exists():
		m.Value, m.Top, m.Form = m.Top, 0, rules.AtMost
	case !low.Exists():
		return m, "a range without ends"
	}
	return m, ""
}

// quantity gives the number of a Quantity, or says why it is none for this kind.
func quantity(q fhir.Value, kind string) (float64, string) {
	unit := q.Get("code").String()
	if unit == "" {
		unit = q.Get("unit").String()
	}
	number := q.Get("value")
	if !number.Exists() {
		return 0, "without a number"
	}
	switch kind + " " + strings.ToLower(strings.TrimSpace(unit)) {
	case "degrees deg", "degrees degree", "degrees degrees", "degrees °", "percent %", "percent percent", "grade ", "grade 1", "grade {grade}", "grade {score}":
		return number.Float(), outOfRange(number.Float(), kind)
	}
	return 0, "not in a unit that is known for this sign"
}

// outOfRange says that a number cannot be of its kind; "" where it can.
func outOfRange(number float64, kind string) string {
	most, bounded := map[string]float64{"degrees": 180, "percent": 100}[kind]
	if number < 0 || bounded && number > most {
		return "out of the range that this sign can have"
	}
	return ""
}

// measure keeps a sign with its day, its side and the device that the entry is about.
func (r *reader) measure(n *node, m rules.Measure) {
	m.When = r.examined(n)
	if !m.When.Bounded() {
		r.unread(n, "effective[x]", "what an examination tells without a day counts as recorded, and what it says as not known")
		m.When, m.Unread = filter.Unknown(), "without a day"
	}
	site := r.concept(n.get("bodySite")).words
	left, right := says(site, "left"), says(site, "right")
	switch {
	case left && !right:
		m.Side = "left"
	case right && !left:
		m.Side = "right"
	}
	m.Evidence, m.Done = n.evidence(), made(n)
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

// made reports whether the status of an entry says that the examination is done with.
func made(n *node) bool {
	return slices.Contains([]string{"final", "amended", "corrected", "appended", "available"}, n.status())
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
			r.out.Facts.Studies = append(r.out.Facts.Studies, rules.Study{Modality: what, Place: strings.Join(strings.Fields(place), " "), When: day(n), Done: made(n), Evidence: n.evidence()})
		}
	}
}
