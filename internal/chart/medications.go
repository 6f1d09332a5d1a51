package chart

import (
	"slices"
	"strconv"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// medication reads an order, statement, dispense or administration of an anticoagulant into courses.
func (r *reader) medication(n *node) {
	p, refs, ok := r.medicine(n)
	if !ok {
		return
	}
	c := rules.Course{Agent: p.agent, Product: p.strength, Never: p.flush, Start: filter.Unknown(), End: filter.Unknown(), Authored: filter.Unknown(), Refilled: filter.Unknown(), Evidence: append(n.evidence(), refs...)}
	// People write beside an order that it is held or not taken; the order itself stays as it was.
	c.Doubtful = r.patterns().speakAgainst(r.notes(n) + " . " + r.concept(n.get("statusReason")).words)
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
	if n.get("doNotPerform").Bool() || slices.Contains([]string{"cancelled", "draft", "entered-in-error"}, n.status()) {
		return false
	}
	switch n.get("intent").String() {
	case "order", "original-order", "filler-order", "instance-order":
	case "proposal", "plan", "reflex-order", "option":
		return false
	default:
		c.Unsure = true
		r.unread(n, "intent", "missing or not an intent that FHIR knows; whether it is an order stays open")
	}
	switch n.status() {
	case "active":
	case "completed", "stopped", "on-hold":
		c.Over = true
	default:
		r.unsure(n, c)
	}
	c.Authored, _ = r.day(n, "authoredOn")
	c.Start = c.Authored
	// The order's own category decides: what is prescribed at discharge names the stay and outlasts it.
	inpatient, outside := false, false
	for k := range n.get("category").Each() {
		for code := range k.Get("coding").Every("code") {
			inpatient = inpatient || code.String() == "inpatient"
			outside = outside || slices.Contains([]string{"discharge", "outpatient", "community"}, code.String())
		}
	}
	if t, ref := r.target(n, n.get("encounter")); t != nil && !outside && inpatientClass(t) {
		_, end, _ := r.period(t, "period")
		c.End = r.stopped(n, end, true) // stopped or held within the stay is not given to its end
		c.Over = c.Over || !end.Known() && t.status() == "finished"
		if !inpatient || c.End.Known() || c.Over {
			c.Evidence = append(c.Evidence, ref)
		}
		inpatient = true
	}
	// An inpatient order whose stay has no end on record is no more certain with the months than an outpatient one.
	c.Outpatient = !inpatient || !c.End.Known()
	return true
}

// unsure leaves open whether an entry holds whose status is missing, that of not knowing, or none that FHIR knows.
func (r *reader) unsure(n *node, c *rules.Course) {
	c.Unsure = true
	if n.status() != "unknown" {
		r.unread(n, "status", "missing or not a status that FHIR knows; whether the anticoagulant is given stays open")
	}
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
		if !when.Known() {
			when, _ = r.day(n, "dateAsserted")
		}
		r.out.Facts.NoAnticoagulant = append(r.out.Facts.NoAnticoagulant, rules.Dated{When: when, Agent: c.Agent, Evidence: c.Evidence})
		return false
	case "entered-in-error", "intended":
		return false
	default:
		r.unsure(n, c)
	}
	c.Outpatient = true
	c.Authored, _ = r.day(n, "dateAsserted")
	if n.get("effectivePeriod").Exists() {
		c.Start, c.End, _ = r.period(n, "effectivePeriod")
		c.End = r.stopped(n, c.End, false)
	} else {
		c.Start, _ = r.day(n, "effectiveDateTime")
	}
	// What a server wrote last says when the patient took it only where the statement itself says nothing.
	if !c.Authored.Known() && !c.Start.Known() {
		c.Authored = r.written(n)
	}
	return true
}

func (r *reader) dispense(n *node, c rules.Course) {
	switch n.status() {
	case "completed", "in-progress":
	case "preparation", "cancelled", "on-hold", "entered-in-error", "stopped", "declined":
		return
	default:
		r.unsure(n, &c)
	}
	c.Start, _ = r.day(n, "whenHandedOver")
	if !c.Start.Known() {
		c.Start, _ = r.day(n, "whenPrepared")
	}
	c.Authored, c.Outpatient = c.Start, true
	q := n.get("daysSupply")
	switch l, ok := lengthOf(q); {
	case r.notAbove(n, "daysSupply.value", q.Get("value")): // for how long it lasts is not known
	case q.Get("code").String() == "" && q.Get("unit").String() == "":
		c.End = lastDay(c.Start, length{days: q.Get("value").Int()})
	case ok:
		c.End = lastDay(c.Start, l)
	}
	for v := range n.get("authorizingPrescription").Each() {
		order, ref := r.target(n, v)
		if ref == "" || !c.Start.Bounded() || c.Unsure {
			continue
		}
		if order != nil && slices.Contains([]string{"stopped", "on-hold", "cancelled"}, order.status()) {
			r.halted = append(r.halted, halt{of: n.ref(), order: ref, stop: r.stopOf(order)})
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

// halt is a dispense of an order that was stopped or held; stop is the day of that, Unknown where the record does not say.
type halt struct {
	of, order filter.Ref
	stop      filter.Span
}

// joinRefills gives each order the day of its latest dispense, and ends what was dispensed where its order was stopped.
func (r *reader) joinRefills() {
	for i := range r.out.Facts.Courses {
		c := &r.out.Facts.Courses[i]
		if last, ok := r.refills[c.Evidence[0]]; ok {
			c.Refilled, c.RefilledBy = last.day, last.evidence
		}
		for _, h := range r.halted {
			if h.of == c.Evidence[0] {
				r.halt(c, h)
			}
		}
	}
}

// halt ends a supply with its order: on the day of the stop where that is known, else on some day from the latest dispense of the
// order on, since nothing is handed out of an order that was stopped before.
func (r *reader) halt(c *rules.Course, h halt) {
	last := r.refills[h.order]
	switch {
	case h.stop.Bounded() && c.End.Latest > h.stop.Earliest:
		c.End = filter.Span{Earliest: min(c.End.Earliest, h.stop.Earliest), Latest: min(c.End.Latest, h.stop.Latest)}
	case !h.stop.Bounded() && c.End.Latest > last.day.Earliest:
		c.End.Earliest = max(c.Start.Earliest, min(c.End.Earliest, last.day.Earliest))
		if last.evidence[0] != c.Evidence[0] {
			c.Evidence = append(c.Evidence, last.evidence...)
		}
	default:
		return // it was used up before
	}
	c.Over = true
	c.Evidence = append(c.Evidence, h.order)
}

// stopOf gives the last day that a stopped order names for itself; Unknown where a dosage of it names none.
func (r *reader) stopOf(order *node) filter.Span {
	stop := filter.Unknown()
	for i := range order.get("dosageInstruction").Len() {
		_, end, _ := r.period(order, dosagePath(order, i)+".timing.repeat.boundsPeriod")
		if end = r.stopped(order, end, false); !end.Bounded() {
			return filter.Unknown()
		}
		if !stop.Bounded() || end.Latest > stop.Latest {
			stop = end
		}
	}
	return stop
}

func (r *reader) administration(n *node, c rules.Course) {
	switch n.status() {
	case "completed", "in-progress":
	case "not-done", "on-hold", "entered-in-error", "stopped":
		return
	default:
		r.unsure(n, &c)
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
	c.Outpatient = !c.End.Known() // what has been running for more than a year is no more certain than an order that old
	r.given(&c, n.get("dosage"))
	c.Doubtful = r.notAbove(n, "dosage.dose.value", n.get("dosage.dose.value")) || c.Doubtful
	r.out.Facts.Courses = append(r.out.Facts.Courses, c)
}

func dosagePath(n *node, i int) string {
	name := "dosageInstruction"
	if n.Type == "MedicationStatement" {
		name = "dosage"
	}
	return name + "." + strconv.Itoa(i)
}
