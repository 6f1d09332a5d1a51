package chart

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"dwellwatch/fhir"
)

// amountIn reads a number as people write it, with a point or a comma. Three digits after the only kind of mark can be thousands or
// a fraction: of units they are thousands after a comma, since nobody measures units so finely; elsewhere they are not understood.
func amountIn(text string, units bool) (float64, bool) {
	whole, fraction := text, ""
	mark := strings.LastIndexAny(text, ".,")
	if mark >= 0 {
		whole, fraction = text[:mark], text[mark+1:]
	}
	switch {
	case mark < 0:
	case strings.ContainsAny(whole, ".,"):
		// Marks of two kinds, or of one kind more than once: "1,250.5", "1,250,000".
		first := whole[strings.IndexAny(whole, ".,")]
		groups := strings.Split(whole, string(first))
		if first == text[mark] {
			groups, fraction = strings.Split(text, string(first)), ""
		}
		for i, g := range groups {
			if i == 0 && (g == "" || len(g) > 3) || i > 0 && len(g) != 3 || strings.ContainsAny(g, ".,") {
				return 0, false
			}
		}
		whole = strings.Join(groups, "")
	case len(fraction) == 3 && strings.Trim(whole, "0") != "":
		if !units || text[mark] != ',' || len(whole) > 3 {
			return 0, false
		}
		whole, fraction = whole+fraction, ""
	}
	v, err := strconv.ParseFloat(whole+"."+fraction+"0", 64)
	return v, err == nil && whole != ""
}

// unitWord gives the unit of a quantity in lower case and without what is written around it: "Tablet(s)" is tablets.
func unitWord(q fhir.Value) string {
	unit := q.Get("code").String()
	if word := q.Get("unit").String(); unit == "" || unit == "1" && word != "" {
		unit = word
	}
	return plainUnit(unit)
}

func plainUnit(word string) string {
	word = strings.ReplaceAll(strings.ToLower(strings.TrimSpace(word)), "(s)", "s")
	return strings.TrimSuffix(strings.TrimSuffix(strings.TrimPrefix(word, "{"), "}"), ".")
}

// perKg gives mg or units per kg of body weight of one dose; 0 where the dose is not given so.
func perKg(q fhir.Value) float64 { return perKgOf(q.Get("value").Float(), unitWord(q)) }

func perKgOf(value float64, unit string) float64 {
	switch strings.ReplaceAll(unit, " ", "") {
	case "mg/kg", "[iu]/kg", "iu/kg", "units/kg", "unit/kg", "u/kg":
		return value
	}
	return 0
}

// doseOf gives mg or units of one dose; a dose in tablets, capsules or syringes is counted by the product's strength. ok is false
// where the record says a dose and its number or unit is not understood.
func doseOf(q fhir.Value, strength float64) (mg float64, ok bool) {
	if !q.Exists() {
		return 0, true
	}
	if q.Get("comparator").Exists() {
		return 0, false
	}
	return amountOf(q.Get("value").Float(), unitWord(q), strength)
}

// amountOf is doseOf for a number and its unit.
func amountOf(value float64, unit string, strength float64) (mg float64, ok bool) {
	if value <= 0 {
		return 0, false
	}
	switch unit {
	case "mg", "milligram", "milligrams", "[iu]", "[iu", "iu", "u", "unit", "units", "[usp'u]":
		return value, true
	case "ug", "mcg", "microgram", "micrograms":
		return value / 1000, true
	case "g", "gram", "grams":
		return value * 1000, true
	case "tbl", "tab", "tabs", "tablet", "tablets", "cap", "caps", "capsule", "capsules", "syringe", "syringes", "each", "1", "":
		return value * strength, true
	}
	return 0, perKgOf(value, unit) > 0
}

// doseIn reads the doses of a dosage: mg or units, or per kg of body weight. ok is false where anything that it says of the dose is
// not understood, or where it says two doses.
func doseIn(d fhir.Value, strength float64) (mg, kg float64, ok bool) {
	ok = true
	for i, said := range d.Get("doseAndRate").List() {
		q := said.Get("doseQuantity")
		one, understood := doseOf(q, strength)
		each := perKg(q)
		switch {
		case !understood, said.Get("doseRange").Exists(), !q.Exists() && (said.Get("rateQuantity").Exists() || said.Get("rateRatio").Exists() || said.Get("rateRange").Exists()):
			ok = false
		case i == 0:
			mg, kg = one, each
		case mg > 0 && one > 0 && mg != one, kg > 0 && each > 0 && kg != each:
			ok = false
		}
	}
	return mg, kg, ok
}

// once reports a single dose: a timing of one event and no repeat.
func once(d fhir.Value) bool {
	t := d.Get("timing")
	return t.Get("event").Len() == 1 && !t.Get("repeat").Exists() || t.Get("repeat.count").Int() == 1
}

// saysFlush reports words of a flush or a line lock.
func saysFlush(words string) bool {
	return says(words, "flush", "flushes", "line lock", "heparin lock", "catheter lock", "lock")
}

// flush reports a flush or a line lock, by the words of a dosage.
func flush(d fhir.Value) bool {
	may := false
	for _, path := range []string{"text", "patientInstruction", "route.text", "method.text"} {
		may = may || mayHold(d.Get(path).String(), "flush", "lock")
	}
	return may && saysFlush(d.Get("text").String()+" . "+d.Get("patientInstruction").String()+" . "+d.Get("route.text").String()+" . "+d.Get("method.text").String())
}

// perDay gives doses a day from a Timing: its repeat, else its code (HL7 v3 GTSAbbreviation) or the words of that; 0 where nothing is
// said of it. ok is false where it says something that is not understood, or where two of its elements do not agree.
func perDay(t fhir.Value, patterns *sigPatterns) (n float64, ok bool) {
	if !t.Exists() {
		return 0, true
	}
	n, ok = repeatPerDay(t.Get("repeat"))
	if t.Get("event").Len() > 1 {
		ok = false
	}
	coded, unknown := 0.0, false
	for c := range t.Get("code.coding").Every("code") {
		if f := abbreviated(c.String()); f > 0 {
			coded = f
			continue
		}
		unknown = true
	}
	if text := strings.TrimSpace(t.Get("code.text").String()); text != "" {
		sigs := patterns.sigsOf(text)
		switch f := abbreviated(text); {
		case f == 0 && len(sigs) == 1 && sigs[0].dose == 0 && sigs[0].length == (length{}):
			f = sigs[0].perDay
			fallthrough
		case f > 0:
			if coded > 0 && f > 0 && f != coded {
				return 0, false
			}
			coded = max(coded, f)
		case n == 0 && coded == 0, strings.EqualFold(text, "once"), patterns.speakAgainst(text):
			return n, false
		}
	}
	switch {
	case n == 0:
		return coded, ok && (coded > 0 || !unknown)
	case coded > 0 && coded != n:
		return n, false
	}
	return n, ok
}

// abbreviated gives doses a day of an abbreviation; 0 for any other.
func abbreviated(code string) float64 {
	switch strings.ToUpper(code) {
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
	return 0
}

// repeatPerDay reads Timing.repeat: a frequency in a period, times of the day, or events of the day.
// http://hl7.org/fhir/R4/datatypes.html#Timing
func repeatPerDay(rep fhir.Value) (n float64, ok bool) {
	ok = true
	f, period := rep.Get("frequency").Float(), rep.Get("period").Float()
	if f > 0 || period > 0 {
		// A frequency is 1 unless said, and so is a period.
		if f <= 0 {
			f = 1
		}
		if period <= 0 {
			period = 1
		}
		switch rep.Get("periodUnit").String() {
		case "d", "":
			n = f / period
		case "h":
			n = f * 24 / period
		case "wk":
			n = f / (7 * period)
		}
		ok = n > 0 && !math.IsInf(n, 1)
	}
	for _, more := range []string{"frequencyMax", "periodMax", "countMax", "duration"} {
		ok = ok && !rep.Get(more).Exists()
	}
	if days := rep.Get("dayOfWeek").Len(); days > 0 && days < 7 {
		return n, false // a day of the week only, whatever the frequency on that day
	}
	for _, at := range []float64{float64(rep.Get("timeOfDay").Len()), eventsOfDay(rep.Get("when"))} {
		switch {
		case at == 0:
		case n == 0:
			n = at
		case at != n:
			ok = false
		}
	}
	if n == 0 && rep.Get("when").Len() > 0 {
		ok = false
	}
	return n, ok
}

// eventsOfDay counts the events of a day that are one each; "with meals" says nothing of how many.
func eventsOfDay(when fhir.Value) float64 {
	n := 0.0
	for w := range when.Each() {
		if !slices.Contains([]string{"AC", "PC", "C"}, w.String()) {
			n++
		}
	}
	return n
}
