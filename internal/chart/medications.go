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
