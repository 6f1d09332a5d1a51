package chart

import (
	"math"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// length is how long a dosage runs, in days and in calendar months; zero where it is not said.
type length struct{ days, months int64 }

// lengthOf reads a Duration in whole days; ok is false where it is not understood.
func lengthOf(q fhir.Value) (length, bool) {
	v := q.Get("value").Float()
	if v <= 0 || v > 10000 || q.Get("comparator").Exists() {
		return length{}, false
	}
	whole := v == math.Trunc(v)
	switch unit := unitWord(q); strings.TrimSuffix(unit, "s") {
	case "h", "hr", "hour":
		return length{days: int64(math.Ceil(v / 24))}, true
	case "d", "day":
		return length{days: int64(math.Ceil(v))}, true
	case "wk", "week":
		return length{days: int64(math.Ceil(v * 7))}, true
	case "mo", "month":
		return length{months: int64(v)}, whole
	case "a", "year", "yr":
		return length{months: int64(v) * 12}, whole
	}
	return length{}, false
}

// lastDay gives the last day of what begins on start and runs for l; Unknown where either is not known.
func lastDay(start filter.Span, l length) filter.Span {
	if l == (length{}) || !start.Bounded() {
		return filter.Unknown()
	}
	end := func(d filter.Day) filter.Day { return d.AddMonths(int(l.months)).Add(int(l.days) - 1) }
	return filter.Span{Earliest: end(start.Earliest), Latest: end(start.Latest)}
}

// dayAfter gives the first day on which what follows can begin; Unknown after an end that is not known.
func dayAfter(end filter.Span) filter.Span {
	return filter.Span{Earliest: end.Earliest.Add(1), Latest: end.Latest.Add(1)}
}

// stopped gives the last day of an entry as far as its status lets it stand. Where the entry is stopped or held, a planned length
// says nothing of the day of that; a last day that is named is taken for it, but not one later than the entry was written, and not
// in an entry on hold, which names none for the hold. What is left open is Unknown.
func (r *reader) stopped(n *node, end filter.Span, planned bool) filter.Span {
	switch n.status() {
	case "on-hold":
		return filter.Unknown()
	case "stopped", "cancelled":
		if planned {
			return filter.Unknown()
		}
	case "completed":
	default:
		return end
	}
	if n.Type == "MedicationDispense" || n.Type == "MedicationAdministration" {
		return end // completed is what was handed out, not what it was for
	}
	if written := r.written(n); written.Known() && end.Known() && end.Latest > written.Latest {
		return filter.Unknown()
	}
	return end
}

// bounds reads how long a dosage runs: from Timing.repeat, by a period, a duration or a number of doses. planned says that the end
// follows from a length. ok is false where the record sets a bound that is not understood.
func (r *reader) bounds(n *node, path string, d fhir.Value, from filter.Span, perDay float64) (start, end filter.Span, planned, ok bool) {
	rep := d.Get("timing.repeat")
	start, end = from, filter.Unknown()
	switch count := rep.Get("count"); {
	case rep.Get("boundsPeriod").Exists():
		first, last, _ := r.period(n, path+".timing.repeat.boundsPeriod")
		if first.Known() {
			start = first
		}
		return start, last, false, last.Known() || !rep.Get("boundsPeriod.end").Exists()
	case rep.Get("boundsDuration").Exists():
		l, understood := lengthOf(rep.Get("boundsDuration"))
		if !understood {
			return start, end, false, false
		}
		end = lastDay(start, l)
		return start, end, true, end.Known()
	case rep.Get("boundsRange").Exists():
		low, one := lengthOf(rep.Get("boundsRange.low"))
		high, two := lengthOf(rep.Get("boundsRange.high"))
		if !one || !two || low != high {
			return start, end, false, false // when it ends is not said
		}
		end = lastDay(start, low)
		return start, end, true, end.Known()
	case count.Int() > 1:
		if perDay > 0 {
			end = lastDay(start, length{days: int64(math.Ceil(count.Float() / perDay))})
		}
		return start, end, true, end.Known()
	}
	return start, end, false, true
}
