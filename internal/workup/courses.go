package workup

import (
	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// courses gives the anticoagulant courses of the answer; where it lists none, the one that holds on its day.
func courses(f assess.Filter) []assess.Course {
	level := f.Anticoagulation.Level
	if len(f.Courses) > 0 || level == "" || level == "none" || level == "unknown" {
		return f.Courses
	}
	since := f.Anticoagulation.Since
	return []assess.Course{{Agent: deref(f.Anticoagulation.Agent), Level: level, Start: assess.Range{Earliest: since, Latest: since}, Runs: true}}
}

// courseWords says what was prescribed, and to when.
func courseWords(x assess.Course) string {
	text := capital(orElse(x.Agent, "anticoagulant")) + " prescribed, " + wording(x.Level, map[string]string{
		"therapeutic": "therapeutic dose", "reduced": "reduced dose", "prophylactic": "prophylactic dose", "indeterminate": "level not clear",
	})
	switch _, last := ends(&x.End); {
	case x.Runs:
		return text + ", to this day"
	case last >= filter.MaxDay:
		return text + ", end not known"
	}
	return text + ", to " + rangeWords(&x.End)
}

func (c *chronicle) courseBar(x assess.Course, clean func(string) string) {
	text := clean(courseWords(x))
	t := levelTextureOf(x.Level)
	startFrom, startTo := ends(&x.Start)
	endFrom, endTo := ends(&x.End)
	if startFrom <= filter.MinDay || startTo >= filter.MaxDay {
		c.beside = append(c.beside, dated{sign: signCourse, texture: t, when: "first day not known", text: text})
		return
	}
	switch {
	case x.Runs:
		endFrom, endTo = c.asOf, c.asOf
	case endTo >= filter.MaxDay:
		endFrom, endTo = startTo, c.asOf // only its beginning is sure
	}
	endFrom, endTo = min(endFrom, c.asOf), min(endTo, c.asOf)
	if endFrom <= filter.MinDay {
		endFrom = startTo
	}
	if startTo = min(startTo, c.asOf); startFrom <= endTo {
		c.bars = append(c.bars, bar{lane: laneCourse, texture: t, possible: [2]filter.Day{startFrom, endTo}, sure: [2]filter.Day{startTo, endFrom}})
	}
	c.marks = append(c.marks, dated{sign: signCourse, texture: t, from: startFrom, to: startTo, when: rangeWords(&x.Start), text: text})
}

// backgroundSign gives the sign of what happened beside the filter's own history.
func backgroundSign(what string) sign {
	switch what {
	case "reason", "thromboembolism":
		return signClot
	case "contraindication":
		return signAgainst
	case "imaging":
		return signImaging
	}
	return signOther
}

// besideHistory lists courses and background for the appendix, each list by its first day.
func besideHistory(f assess.Filter) []item {
	var out []item
	for _, h := range f.Background {
		what := wording(h.What, map[string]string{"reason": "Reason", "thromboembolism": "Thromboembolism", "contraindication": "Against anticoagulation", "imaging": "Imaging"})
		out = append(out, item{When: rangeWords(&h.When), What: what, Text: h.Text, Entries: entriesWords(h.Evidence)})
	}
	for _, x := range f.Courses {
		out = append(out, item{When: rangeWords(&x.Start), What: "Anticoagulant", Text: courseWords(x), Entries: entriesWords(x.Evidence)})
	}
	return out
}
