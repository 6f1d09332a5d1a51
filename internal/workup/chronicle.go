package workup

import (
	"slices"
	"strconv"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// sign is the shape that stands for a kind of entry on the time line.
type sign int

const (
	signPlacement sign = iota
	signRemoval
	signPartial
	signAttempt
	signComplication
	signAsOf
	signRepositioning
	signWindow
	signCourse
	signDevice
	signSighting
	signClaim
	signRemovalClaim
	signHint
	signClot
	signAgainst
	signImaging
	signOther
)

// dated is one entry of the time line. Its day lies somewhere from from to to; MinDay and MaxDay are open sides.
type dated struct {
	sign     sign
	from, to filter.Day
	when     string
	text     string
	texture  texture // of signCourse: the one of its bar
}

func (d dated) known() bool { return d.from > filter.MinDay || d.to < filter.MaxDay }

// first is the day by which the entry is put into a piece of the axis.
func (d dated) first() filter.Day {
	if d.from > filter.MinDay {
		return d.from
	}
	return d.to
}

// bar is a stretch of time beside the axis. It may have lasted over possible and has certainly lasted over sure, which is
// empty where its end lies before its beginning.
type bar struct {
	lane           string
	possible, sure [2]filter.Day
	texture        texture // of the sure part
	open           bool    // it may have begun before the first possible day
	doubt          bool    // nothing of it is sure because the record disagrees
}

// chronicle is all that the time line shows, in days and words, before any geometry.
type chronicle struct {
	asOf   filter.Day
	marks  []dated // in the order of their first day
	bars   []bar
	lanes  []string
	beside []dated // entries whose day is not known
	// earlier counts what happened beside the history so long before the placement that it would only push the rest together.
	earlier int
}

// earlierDays is how long before the placement the time line begins at the earliest.
const earlierDays = 180

const (
	laneFilter = "Filter in"
	laneWindow = "Window"
	laneCourse = "Anticoag."
)

// newChronicle collects what the time line shows. A day that cannot be read counts as not known; none is made up.
func newChronicle(a assess.Assessment, f assess.Filter, clean func(string) string) chronicle {
	c := chronicle{asOf: dayOr(&a.AsOf, 0)}
	for _, e := range f.Events {
		c.add(signOf(e.What), &e.When, clean(orElse(e.Text, eventWords(e.What))), solidTexture)
	}
	from, _ := ends(f.Placed)
	for _, h := range f.Background {
		if _, to := ends(&h.When); to < from.Add(-earlierDays) {
			c.earlier++
			continue
		}
		c.add(backgroundSign(h.What), &h.When, clean(h.Text), solidTexture)
	}
	for _, x := range f.Findings {
		switch {
		case x.When != nil:
			c.add(signComplication, x.When, "Complication: "+clean(x.Text), solidTexture)
		case complicationRule(x.Rule):
			c.add(signComplication, nil, "Complication, no day of onset on record: "+clean(x.Text), solidTexture)
		}
	}
	c.filterBar(f)
	c.windowBar(f)
	for _, x := range courses(f) {
		if _, to := ends(&x.End); !x.Runs && to < from.Add(-earlierDays) {
			c.earlier++
			continue
		}
		c.courseBar(x, clean)
	}
	c.add(signAsOf, &assess.Range{Earliest: &a.AsOf, Latest: &a.AsOf}, "Day of this assessment", solidTexture)
	slices.SortStableFunc(c.marks, func(x, y dated) int { return int(x.first() - y.first()) })
	for _, lane := range []string{laneFilter, laneWindow, laneCourse} {
		if slices.ContainsFunc(c.bars, func(b bar) bool { return b.lane == lane }) {
			c.lanes = append(c.lanes, lane)
		}
	}
	return c
}

func (c *chronicle) add(s sign, when *assess.Range, text string, t texture) {
	d := dated{sign: s, when: rangeWords(when), text: text, texture: t}
	d.from, d.to = ends(when)
	if d.known() {
		c.marks = append(c.marks, d)
		return
	}
	c.beside = append(c.beside, d)
}

// filterBar draws the time for which the filter was in, to its removal or to the day of the assessment.
func (c *chronicle) filterBar(f assess.Filter) {
	from, to := ends(f.Placed)
	if f.Placed == nil || from <= filter.MinDay && to >= filter.MaxDay || f.Standing == "" {
		return
	}
	endFrom, endTo := c.asOf, c.asOf
	if f.Standing == "removed" {
		endFrom, endTo = ends(f.Removed)
		endFrom, endTo = min(endFrom, c.asOf), min(endTo, c.asOf)
	}
	b := bar{lane: laneFilter, texture: solidTexture, sure: [2]filter.Day{to, endFrom}, possible: [2]filter.Day{from, endTo}, doubt: f.Standing == "unclear"}
	if from <= filter.MinDay {
		b.possible[0], b.open = to, true
	}
	if b.doubt {
		b.sure = [2]filter.Day{1, 0}
	}
	if b.possible[0] <= b.possible[1] {
		c.bars = append(c.bars, b)
	}
}

func (c *chronicle) windowBar(f assess.Filter) {
	w := f.WindowBand
	if w == nil {
		return
	}
	days := "days " + strconv.Itoa(w.FirstDay) + "–" + strconv.Itoa(w.LastDay)
	openFrom, openTo := ends(&w.Opens)
	closeFrom, closeTo := ends(&w.Closes)
	if openFrom <= filter.MinDay || closeTo >= filter.MaxDay {
		c.beside = append(c.beside, dated{sign: signWindow, when: "days not known", text: "Window of the policy: " + days + " after placement"})
		return
	}
	c.bars = append(c.bars, bar{lane: laneWindow, texture: levelTexture, possible: [2]filter.Day{openFrom, closeTo}, sure: [2]filter.Day{openTo, closeFrom}})
	text := "Window opens (" + days + "), to " + rangeWords(&w.Closes)
	c.marks = append(c.marks, dated{sign: signWindow, from: openFrom, to: openTo, when: rangeWords(&w.Opens), text: text, texture: levelTexture})
}

// describe tells the time line in words, for those who do not see it.
func (c chronicle) describe() string {
	var parts []string
	for _, d := range slices.Concat(c.marks, c.beside) {
		parts = append(parts, d.when+": "+strings.TrimRight(d.text, ".")+".")
	}
	return strings.Join(parts, " ")
}

// days lists every day at which something on the time line begins or ends, sorted, once each.
func (c chronicle) days() []filter.Day {
	list := []filter.Day{c.asOf}
	keep := func(days ...filter.Day) {
		for _, d := range days {
			if d > filter.MinDay && d < filter.MaxDay {
				list = append(list, d)
			}
		}
	}
	for _, d := range c.marks {
		keep(d.from, d.to)
	}
	for _, b := range c.bars {
		keep(b.possible[0], b.possible[1])
	}
	slices.Sort(list)
	return slices.Compact(list)
}

func signOf(what string) sign {
	switch what {
	case "placement":
		return signPlacement
	case "removal":
		return signRemoval
	case "partial-removal":
		return signPartial
	case "attempt":
		return signAttempt
	case "repositioning":
		return signRepositioning
	case "device":
		return signDevice
	case "sighting":
		return signSighting
	case "claim":
		return signClaim
	case "removal-claim":
		return signRemovalClaim
	case "hint":
		return signHint
	}
	return signOther
}

// complicationRule names the rules that tell of a complication of the filter.
func complicationRule(rule string) bool {
	return slices.Contains([]string{"displacement", "penetration", "fracture", "caval-thrombosis", "new-pe", "infection", "haemorrhage", "filter-complaint", "device-complication-unspecific"}, rule)
}

// ends gives the days of a range, MinDay and MaxDay for open sides.
func ends(r *assess.Range) (from, to filter.Day) {
	if r == nil {
		return filter.MinDay, filter.MaxDay
	}
	return dayOr(r.Earliest, filter.MinDay), dayOr(r.Latest, filter.MaxDay)
}

func dayOr(text *string, other filter.Day) filter.Day {
	if text == nil {
		return other
	}
	d, err := filter.ParseDay(*text)
	if err != nil {
		return other
	}
	return d
}
