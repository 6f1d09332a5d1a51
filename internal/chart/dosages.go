package chart

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/rules"
)

// dosages adds one course for each dosage in order; a dosage with a length of its own is followed by the next one.
func (r *reader) dosages(n *node, c rules.Course, list fhir.Value) {
	all := list.List()
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
		mg, kg, dosed := doseIn(d, c.Product)
		often, timed := perDay(d.Get("timing"), r.patterns())
		start, end, planned, bound := r.bounds(n, dosagePath(n, i), d, c.Start, often)
		part.MgPerDose, part.PerKg, part.PerDay = mg, kg, often
		// What the record says and nobody here understands is not nothing: the dose is left open then.
		part.Doubtful = c.Doubtful || !dosed || !timed || !bound || d.Get("modifierExtension").Exists()
		part.Doubtful = r.impossible(n, i, d) || part.Doubtful
		if said := r.inWords(n, &part, d, c.Product, len(all) == 1); said != nil {
			r.out.Facts.Courses = append(r.out.Facts.Courses, said...)
			continue
		}
		if n.Type != "MedicationDispense" || start.Earliest > c.Start.Earliest { // an order begins before what is handed out of it
			part.Start = start
		}
		if planned || !bound {
			c.Start = dayAfter(end) // not known where the end is not
		}
		// What ends earlier holds: an inpatient order ends with its stay, whatever it was planned for.
		if end = r.stopped(n, end, planned); end.Known() && (!c.End.Known() || end.Latest < c.End.Latest) {
			part.End = end
		}
		if part.Never || part.Doubtful || part.MgPerDose > 0 || part.PerDay > 0 || part.Product > 0 || i == len(all)-1 {
			r.out.Facts.Courses = append(r.out.Facts.Courses, part)
		}
	}
}

// impossible names every number of a dosage that none of its kind can be: a frequency, a period, a count, a length or a dose that is
// not above zero. Such a dosage is not understood.
func (r *reader) impossible(n *node, at int, d fhir.Value) bool {
	found := false
	not := func(v fhir.Value, path ...string) {
		if notAbove(v) {
			found = r.notAbove(n, strings.Join(append([]string{dosagePath(n, at)}, path...), "."), v)
		}
	}
	repeat := d.Get("timing.repeat")
	for _, element := range [...]string{"frequency", "period", "count"} {
		not(repeat.Member(element), "timing.repeat", element)
	}
	not(repeat.Get("boundsDuration.value"), "timing.repeat.boundsDuration.value")
	i := 0
	for said := range d.Get("doseAndRate").Each() {
		not(said.Get("doseQuantity.value"), "doseAndRate", strconv.Itoa(i), "doseQuantity.value")
		i++
	}
	return found
}

// notAbove names a number that is there and not above zero.
func (r *reader) notAbove(n *node, path string, v fhir.Value) bool {
	if !notAbove(v) {
		return false
	}
	r.unread(n, path, "not a number above zero; the dosage is not understood")
	return true
}

// notAbove reports a number that is there and not above zero, or so large that none is meant.
func notAbove(v fhir.Value) bool {
	if !v.Exists() || v.Kind() == 'n' {
		return false
	}
	number := v.Float()
	return math.IsNaN(number) || number <= 0 || math.IsInf(number, 1)
}

// inWords reads the words of a dosage into part where its elements do not say dose and frequency. It gives the courses one after
// the other where the words tell of several. What stands in the elements wins; words that are not understood, or that speak against
// the elements, leave the dose in doubt: a level is not guessed from the product's strength then.
func (r *reader) inWords(n *node, part *rules.Course, d fhir.Value, product float64, alone bool) []rules.Course {
	words := strings.TrimSpace(d.Get("text").String() + " " + d.Get("patientInstruction").String())
	patterns := r.patterns()
	for more := range d.Get("additionalInstruction").Every("text") {
		part.Doubtful = part.Doubtful || patterns.speakAgainst(more.String())
	}
	if words == "" {
		return nil
	}
	silent := part.MgPerDose == 0 && part.PerKg == 0
	if !silent && part.PerDay > 0 {
		part.Doubtful = part.Doubtful || patterns.speakAgainst(words)
		return nil
	}
	sigs := patterns.sigsOf(d.Get("text").String())
	if sigs == nil {
		sigs = patterns.sigsOf(d.Get("patientInstruction").String())
	}
	rep := d.Get("timing.repeat")
	bounded := rep.Get("boundsPeriod").Exists() || rep.Get("boundsDuration").Exists() || rep.Get("boundsRange").Exists() || rep.Get("count").Exists()
	switch {
	case len(sigs) == 1 && (sigs[0].length == (length{}) || bounded):
		part.Doubtful = !sigs[0].into(part, product) || part.Doubtful
		return nil
	case len(sigs) == 0 || !alone || bounded || !silent || part.PerDay > 0:
		part.Doubtful = true
		return nil
	}
	var out []rules.Course
	start := part.Start
	for _, s := range sigs {
		one := *part
		one.Start, one.Evidence = start, slices.Clone(part.Evidence)
		one.Doubtful = !s.into(&one, product) || part.Doubtful
		if s.length != (length{}) {
			end := lastDay(one.Start, s.length)
			one.Doubtful = one.Doubtful || !end.Known()
			start = dayAfter(end)
			if end = r.stopped(n, end, true); end.Known() && (!part.End.Known() || end.Latest < part.End.Latest) {
				one.End = end
			}
		}
		out = append(out, one)
	}
	return out
}

// given reads the dose of an administration. Its words count where no dose is coded, and where they speak against it.
func (r *reader) given(c *rules.Course, d fhir.Value) {
	words := d.Get("text").String()
	c.Never = c.Never || flush(d)
	dose, ok := doseOf(d.Get("dose"), c.Product)
	c.MgPerDose = dose
	c.PerKg = perKg(d.Get("dose"))
	c.Doubtful = c.Doubtful || !ok || d.Get("modifierExtension").Exists() || r.patterns().speakAgainst(words)
	if words != "" && !d.Get("dose").Exists() {
		sigs := r.patterns().sigsOf(words)
		c.Doubtful = c.Doubtful || len(sigs) != 1 || !sigs[0].into(c, c.Product)
	}
}

// patterns gives the patterns of words: those of the value sets, or new ones for a reader without.
func (r *reader) patterns() *sigPatterns {
	if r.sets.sigs == nil {
		r.sets.sigs = newSigPatterns()
	}
	return r.sets.sigs
}

// into adds what the words say to a course, and reports whether it agrees with what the elements say.
func (s sig) into(c *rules.Course, product float64) bool {
	c.Never = c.Never || s.never
	if s.dose > 0 {
		unit := plainUnit(s.unit)
		mg, _ := amountOf(s.dose, unit, product)
		kg := perKgOf(s.dose, unit)
		switch {
		case mg == 0 && kg == 0:
			return false // tablets of an unknown strength, or a unit of another drug
		case c.MgPerDose == 0 && c.PerKg == 0:
			c.MgPerDose, c.PerKg = mg, kg
		case c.MgPerDose > 0 && mg != c.MgPerDose, c.PerKg > 0 && kg != c.PerKg:
			return false
		}
	}
	switch {
	case s.perDay == 0, s.perDay == c.PerDay:
	case c.PerDay == 0:
		c.PerDay = s.perDay
	default:
		return false
	}
	return true
}
