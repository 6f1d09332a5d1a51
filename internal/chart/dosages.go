package chart

import (
	"slices"
	"strconv"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

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
		if said := r.inWords(&part, d, c.Product, len(all) == 1); said != nil {
			r.out.Facts.Courses = append(r.out.Facts.Courses, said...)
			continue
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

// inWords reads the words of a dosage into part where its elements do not say dose and frequency. It gives the courses one after
// the other where the words tell of several. What stands in the elements wins; words that are not understood, or that speak against
// the elements, leave the dose in doubt: a level is not guessed from the product's strength then.
func (r *reader) inWords(part *rules.Course, d gjson.Result, product float64, alone bool) []rules.Course {
	words := strings.TrimSpace(d.Get("text").String() + " " + d.Get("patientInstruction").String())
	if words == "" {
		return nil
	}
	patterns := r.sets.sigs
	if patterns == nil {
		patterns = newSigPatterns()
	}
	silent := part.MgPerDose == 0 && part.PerKg == 0
	if !silent && part.PerDay > 0 {
		part.Doubtful = patterns.against.MatchString(strings.ToLower(words))
		return nil
	}
	sigs := patterns.sigsOf(d.Get("text").String())
	if sigs == nil {
		sigs = patterns.sigsOf(d.Get("patientInstruction").String())
	}
	bounded := d.Get("timing.repeat.boundsPeriod").Exists() || d.Get("timing.repeat.boundsDuration").Exists()
	switch {
	case len(sigs) == 1 && (sigs[0].days == 0 || bounded):
		part.Doubtful = !sigs[0].into(part, product)
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
		one.Doubtful = !s.into(&one, product)
		if s.days > 0 && one.Start.Bounded() {
			one.End = filter.Span{Earliest: one.Start.Earliest.Add(s.days - 1), Latest: one.Start.Latest.Add(s.days - 1)}
			start = filter.Span{Earliest: one.End.Earliest.Add(1), Latest: one.End.Latest.Add(1)}
		}
		out = append(out, one)
	}
	return out
}

// into adds what the words say to a course, and reports whether it agrees with what the elements say.
func (s sig) into(c *rules.Course, product float64) bool {
	c.Never = c.Never || s.never
	if s.dose > 0 {
		dose := gjson.Parse(`{"value":` + strconv.FormatFloat(s.dose, 'f', -1, 64) + `,"code":"` + s.unit + `"}`)
		mg, kg := doseOf(dose, product), perKg(dose)
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
