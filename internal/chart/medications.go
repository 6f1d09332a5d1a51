package chart

import (
	"slices"
	"strconv"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// medication reads an order, statement, dispense or administration of an anticoagulant into courses.
func (r *reader) medication(n *node) {
	p, refs, ok := r.medicine(n)
	if !ok {
		return
	}
	c := rules.Course{Agent: p.agent, Product: p.strength, Start: filter.Unknown(), End: filter.Unknown(), Authored: filter.Unknown(), Refilled: filter.Unknown(), Evidence: append([]filter.Ref{n.name}, refs...)}
	switch n.Type {
	case "MedicationRequest":
		if !r.request(n, &c) {
			return
		}
		r.dosages(n, c, n.get("dosageInstruction"))
	case "MedicationStatement":
		if !r.statement(n, &c) {
			return
		}
		r.dosages(n, c, n.get("dosage"))
	case "MedicationDispense":
		r.dispense(n, c)
	case "MedicationAdministration":
		r.administration(n, c)
	}
}

// medicine gives the anticoagulant that an entry names: in itself, contained, or in the Medication it refers to.
func (r *reader) medicine(n *node) (product, []filter.Ref, bool) {
	if v := n.get("medicationCodeableConcept"); v.Exists() {
		p, ok := anticoagulant(r.concept(v))
		return p, nil, ok
	}
	v := n.get("medicationReference")
	t, ref := r.target(n, v)
	if t != nil {
		p, ok := anticoagulant(r.concept(t.get("code")))
		if strings.Contains(ref, "#") {
			return p, nil, ok
		}
		return p, []filter.Ref{ref}, ok
	}
	p, ok := anticoagulant(concept{words: v.Get("display").String()})
	return p, nil, ok
}

// request reads a MedicationRequest's standing; false where it is no current or past order.
func (r *reader) request(n *node, c *rules.Course) bool {
	if !slices.Contains([]string{"order", "original-order", "filler-order", "instance-order"}, n.get("intent").String()) || n.get("doNotPerform").Bool() {
		return false
	}
	switch n.status() {
	case "active":
	case "completed", "stopped", "on-hold":
		c.Over = true
	default:
		return false
	}
	c.Authored, _ = r.day(n, "authoredOn")
	c.Start = c.Authored
	// The order's own category decides: what is prescribed at discharge names the stay and outlasts it.
	inpatient, outside := false, false
	for _, k := range n.get("category").Array() {
		for _, code := range k.Get("coding.#.code").Array() {
			inpatient = inpatient || code.String() == "inpatient"
			outside = outside || slices.Contains([]string{"discharge", "outpatient", "community"}, code.String())
		}
	}
	if t, ref := r.target(n, n.get("encounter")); t != nil && !outside && inpatientClass(t) {
		_, end, _ := r.period(t, "period")
		c.End = end
		c.Over = c.Over || !end.Known() && t.status() == "finished"
		if !inpatient || end.Known() || c.Over {
			c.Evidence = append(c.Evidence, ref)
		}
		inpatient = true
	}
	// An inpatient order whose stay has no end on record is no more certain with the months than an outpatient one.
	c.Outpatient = !inpatient || !c.End.Known()
	return true
}

// inpatientClass reports an inpatient stay: HL7 v3 ActCode IMP, ACUTE, NONAC or OBSENC.
func inpatientClass(n *node) bool {
	return slices.Contains([]string{"IMP", "ACUTE", "NONAC", "OBSENC"}, n.get("class.code").String())
}

func (r *reader) statement(n *node, c *rules.Course) bool {
	switch n.status() {
	case "active":
	case "completed", "stopped", "on-hold":
		c.Over = true
	case "not-taken":
		when, _, _ := r.period(n, "effectivePeriod")
		if !when.Known() {
			when, _ = r.day(n, "effectiveDateTime")
		}
		r.out.Facts.NoAnticoagulant = append(r.out.Facts.NoAnticoagulant, rules.Dated{When: when, Evidence: c.Evidence})
		return false
	default:
		return false
	}
	c.Outpatient = true
	c.Authored, _ = r.day(n, "dateAsserted")
	if n.get("effectivePeriod").Exists() {
		c.Start, c.End, _ = r.period(n, "effectivePeriod")
	} else {
		c.Start, _ = r.day(n, "effectiveDateTime")
	}
	if !c.Authored.Known() {
		c.Authored = r.written(n)
	}
	return true
}

func (r *reader) dispense(n *node, c rules.Course) {
	if n.status() != "completed" && n.status() != "in-progress" {
		return
	}
	c.Start, _ = r.day(n, "whenHandedOver")
	if !c.Start.Known() {
		c.Start, _ = r.day(n, "whenPrepared")
	}
	c.Authored, c.Outpatient = c.Start, true
	if days := n.get("daysSupply.value").Float(); days > 0 && c.Start.Bounded() {
		c.End = filter.Span{Earliest: c.Start.Earliest.Add(int(days) - 1), Latest: c.Start.Latest.Add(int(days) - 1)}
	}
	for _, v := range n.get("authorizingPrescription").Array() {
		_, ref := r.target(n, v)
		if ref == "" || !c.Start.Bounded() {
			continue
		}
		if r.refills == nil {
			r.refills = map[string]refill{}
		}
		if have, ok := r.refills[ref]; !ok || c.Start.Latest > have.day.Latest {
			r.refills[ref] = refill{c.Start, c.Evidence}
		}
	}
	if c.End.Known() {
		r.dosages(n, c, n.get("dosageInstruction"))
	}
}

// refill is a dispense of an order.
type refill struct {
	day      filter.Span
	evidence []filter.Ref
}

// joinRefills gives each order the day of its latest dispense.
func (r *reader) joinRefills() {
	for i := range r.out.Facts.Courses {
		c := &r.out.Facts.Courses[i]
		if last, ok := r.refills[c.Evidence[0]]; ok {
			c.Refilled, c.RefilledBy = last.day, last.evidence
		}
	}
}

func (r *reader) administration(n *node, c rules.Course) {
	if n.status() != "completed" && n.status() != "in-progress" {
		return
	}
	if n.get("effectivePeriod").Exists() {
		c.Start, c.End, _ = r.period(n, "effectivePeriod")
		if !c.End.Known() && n.status() == "completed" {
			c.End = c.Start
		}
	} else {
		c.Start, _ = r.day(n, "effectiveDateTime")
		c.End = c.Start
	}
	c.Authored = c.Start
	c.MgPerDose = doseOf(n.get("dosage.dose"), c.Product)
	r.out.Facts.Courses = append(r.out.Facts.Courses, c)
}

// dosages adds one course for each dosage in order; a dosage with a length of its own is followed by the next one.
func (r *reader) dosages(n *node, c rules.Course, list gjson.Result) {
	all := list.Array()
	if len(all) == 0 {
		r.out.Facts.Courses = append(r.out.Facts.Courses, c)
		return
	}
	for i, d := range all {
		part := c
		part.Evidence = slices.Clone(c.Evidence)
		if d.Get("asNeededBoolean").Bool() || d.Get("asNeededCodeableConcept").Exists() || once(d) || flush(d) {
			part.Never = true
		}
		if len(d.Get("doseAndRate").Array()) > 0 {
			part.MgPerDose = doseOf(d.Get("doseAndRate.0.doseQuantity"), c.Product)
		}
		part.PerKg = perKg(d.Get("doseAndRate.0.doseQuantity"))
		part.PerDay = perDay(d.Get("timing"))
		if part.MgPerDose == 0 && part.PerKg == 0 || part.PerDay == 0 {
			if said := r.bySig(part, d, &c, len(all) == 1); said != nil {
				r.out.Facts.Courses = append(r.out.Facts.Courses, said...)
				continue
			}
		}
		path := dosagePath(n, i)
		if start, end, _ := r.period(n, path+".timing.repeat.boundsPeriod"); start.Known() || end.Known() {
			if start.Known() {
				part.Start = start
			}
			if end.Known() {
				part.End = end
			}
		} else if days := lengthDays(d.Get("timing.repeat.boundsDuration")); days > 0 && part.Start.Bounded() {
			part.End = filter.Span{Earliest: part.Start.Earliest.Add(days - 1), Latest: part.Start.Latest.Add(days - 1)}
			c.Start = filter.Span{Earliest: part.End.Earliest.Add(1), Latest: part.End.Latest.Add(1)}
		}
		if part.Never || part.MgPerDose > 0 || part.PerDay > 0 || part.Product > 0 || i == len(all)-1 {
			r.out.Facts.Courses = append(r.out.Facts.Courses, part)
		}
	}
}

// bySig reads a dosage that says dose or frequency in words only. What stands in the elements wins, and where both say a dose and
// do not agree, the words are not used. It gives nil where the words leave a doubt.
func (r *reader) bySig(part rules.Course, d gjson.Result, c *rules.Course, alone bool) []rules.Course {
	sigs := r.sets.sigs.sigsOf(d.Get("text").String())
	if sigs == nil {
		sigs = r.sets.sigs.sigsOf(d.Get("patientInstruction").String())
	}
	bounded := d.Get("timing.repeat.boundsPeriod").Exists() || d.Get("timing.repeat.boundsDuration").Exists()
	if sigs == nil || len(sigs) > 1 && (!alone || bounded || part.MgPerDose > 0 || part.PerDay > 0) || bounded {
		return nil
	}
	var out []rules.Course
	for _, s := range sigs {
		one := part
		one.Evidence = slices.Clone(part.Evidence)
		one.Never = one.Never || s.never
		dose := gjson.Parse(`{"value":` + strconv.FormatFloat(s.dose, 'f', -1, 64) + `,"code":"` + s.unit + `"}`)
		mg, kg := doseOf(dose, c.Product), perKg(dose)
		switch {
		case part.MgPerDose > 0 && mg > 0 && mg != part.MgPerDose, part.PerDay > 0 && s.perDay > 0 && s.perDay != part.PerDay:
			return nil
		case part.MgPerDose == 0 && part.PerKg == 0:
			one.MgPerDose, one.PerKg = mg, kg
		}
		if one.PerDay == 0 {
			one.PerDay = s.perDay
		}
		if s.days > 0 && one.Start.Bounded() {
			one.End = filter.Span{Earliest: one.Start.Earliest.Add(s.days - 1), Latest: one.Start.Latest.Add(s.days - 1)}
			part.Start = filter.Span{Earliest: one.End.Earliest.Add(1), Latest: one.End.Latest.Add(1)}
		}
		out = append(out, one)
	}
	return out
}

// perKg gives mg or units per kg of body weight of one dose; 0 where the dose is not given so.
func perKg(q gjson.Result) float64 {
	unit := strings.ToLower(strings.ReplaceAll(q.Get("code").String(), " ", ""))
	if unit == "" {
		unit = strings.ToLower(strings.ReplaceAll(q.Get("unit").String(), " ", ""))
	}
	switch unit {
	case "mg/kg", "[iu]/kg", "iu/kg", "units/kg", "unit/kg", "u/kg":
		return q.Get("value").Float()
	}
	return 0
}

// flush reports a flush or a line lock, by its words.
func flush(d gjson.Result) bool {
	return says(d.Get("text").String()+" . "+d.Get("patientInstruction").String()+" . "+d.Get("route.text").String()+" . "+d.Get("method.text").String(),
		"flush", "flushes", "line lock", "heparin lock", "catheter lock", "lock")
}

func dosagePath(n *node, i int) string {
	name := "dosageInstruction"
	if n.Type == "MedicationStatement" {
		name = "dosage"
	}
	return name + "." + strconv.Itoa(i)
}

// once reports a single dose: a timing of one event and no repeat.
func once(d gjson.Result) bool {
	t := d.Get("timing")
	return len(t.Get("event").Array()) == 1 && !t.Get("repeat").Exists() || t.Get("repeat.count").Int() == 1
}

// doseOf gives mg or units of one dose; a dose in tablets, capsules or syringes is counted by the product's strength.
func doseOf(q gjson.Result, strength float64) float64 {
	if !q.Exists() {
		return 0
	}
	value := q.Get("value").Float()
	unit := strings.ToLower(q.Get("code").String())
	if unit == "" {
		unit = strings.ToLower(q.Get("unit").String())
	}
	switch unit {
	case "mg", "[iu]", "[iu", "iu", "u", "units", "unit", "[usp'u]":
		return value
	case "ug", "mcg":
		return value / 1000
	case "g":
		return value * 1000
	case "{tbl}", "tablet", "tablets", "tab", "capsule", "capsules", "{capsule}", "syringe", "{syringe}", "1", "":
		return value * strength
	}
	return 0
}

// perDay gives doses a day from a Timing: its repeat, else its code (HL7 v3 GTSAbbreviation).
func perDay(t gjson.Result) float64 {
	rep := t.Get("repeat")
	if f := rep.Get("frequency").Float(); f > 0 {
		period := rep.Get("period").Float()
		if period <= 0 {
			period = 1
		}
		switch rep.Get("periodUnit").String() {
		case "d", "":
			return f / period
		case "h":
			return f * 24 / period
		case "wk":
			return f / (7 * period)
		}
		return 0
	}
	if rep.Get("period").Float() > 0 && rep.Get("periodUnit").String() == "h" {
		return 24 / rep.Get("period").Float()
	}
	for _, c := range append(t.Get("code.coding.#.code").Array(), t.Get("code.text")) {
		switch strings.ToUpper(c.String()) {
		case "QD", "AM", "PM", "DAILY", "Q24H", "BED":
			return 1
		case "BID", "Q12H":
			return 2
		case "TID", "Q8H":
			return 3
		case "QID", "Q6H":
			return 4
		case "QOD":
			return 0.5
		}
	}
	return 0
}

func lengthDays(q gjson.Result) int {
	v := q.Get("value").Float()
	switch unit := q.Get("code").String(); unit {
	case "d":
		return int(v)
	case "wk":
		return int(v * 7)
	}
	return 0
}
