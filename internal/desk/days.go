package desk

import (
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// firstFilters is the first day on which anybody can have had a caval filter: they are as old as the 1960s (common knowledge, no
// source). It bounds days where no day of birth is known.
var firstFilters = filter.NewDay(1960, 1, 1)

// span reads YYYY, YYYY-MM or YYYY-MM-DD.
func (d Desk) span(text string) (filter.Span, bool) {
	day, err := fhir.ParseDate(text, d.Basis.Zone)
	return filter.Span{Earliest: filter.Day(day.First), Latest: filter.Day(day.Last)}, err == nil && len(text) <= len("2006-01-02")
}

// pastDay says what is wrong with a day, month or year on which something has happened to the patient; "" where nothing is.
func (w work) pastDay(text string) string {
	when, ok := w.d.span(text)
	born, known := w.d.span(w.view.Line.Born)
	switch {
	case !ok:
		return "Give the day as YYYY-MM-DD, or the month or year where no more is known."
	case when.Earliest > w.d.Today():
		return "The day lies ahead; enter it when it has happened."
	case known && when.Latest < born.Earliest:
		return "The day lies before the patient’s birth."
	case !known && when.Latest < firstFilters:
		return "The day lies before the first caval filters; look at the year."
	}
	return ""
}

// afterPlacement is pastDay for what has happened to the filter, or because of it.
func (w work) afterPlacement(text string) string {
	if why := w.pastDay(text); why != "" {
		return why
	}
	when, _ := w.d.span(text)
	if placed := w.view.Line.Placed; placed.Earliest > filter.MinDay && when.Latest < placed.Earliest {
		return "The day lies before the placement of the filter (" + placed.Earliest.String() + "). If that day is wrong, correct it first."
	}
	return ""
}

// own lists the entries that the filter stands on, and on which no other filter does.
func (w work) own() []string {
	var out []string
	for _, ref := range w.itself() {
		if ref, _, _ = strings.Cut(ref, "#"); !slices.Contains(out, ref) && !strings.Contains(ref, "/Provenance/") && !strings.HasPrefix(ref, "Provenance/") {
			out = append(out, ref)
		}
	}
	return out
}

// itself lists what the filter's key stands on, as evidence names it, but not what another filter's does too.
func (w work) itself() []string {
	var own, others []string
	for _, k := range w.view.record.Keys {
		if k.Key == w.view.Line.Key {
			own = append(own, k.Evidence...)
			continue
		}
		others = append(others, k.Evidence...)
	}
	return slices.DeleteFunc(own, func(ref string) bool { return slices.Contains(others, ref) })
}
