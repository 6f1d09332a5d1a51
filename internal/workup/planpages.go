package workup

import (
	"strconv"

	"dwellwatch/internal/plan"
)

const planAbout = "To be marked by hand. Local protocol and the instructions for use prevail. " +
	"Numbers in brackets name the sources; the appendix lists them and says how each is known."

// planRows are the pages of the plan, after the answer: a list to mark by hand. There are none where the verdict has no plan.
// They begin a page; under says that they may stand under what was begun, where half a page is left.
func planRows(p *press, v view, under bool) []row {
	if v.plan == nil {
		return nil
	}
	first := chapter(p, "Plan for the removal", planAbout)
	if first.fresh = !under; under {
		first.room = (p.bodyBottom - bodyTop) / 2
	}
	rows := []row{first, approachRow(p, v.plan)}
	for _, g := range v.plan.Groups {
		rows = append(rows, groupRows(p, g)...)
	}
	rows = append(rows, shelfRows(p, v.plan)...)
	if len(v.plan.Afterwards) > 0 {
		rows = append(rows, groupRows(p, group{Title: "Afterwards", Lines: v.plan.Afterwards})...)
	}
	rows = append(rows, predictorRows(p, v.plan)...)
	return append(rows, stepRows(p, v.plan)...)
}

// approachRow is the answer of the plan: how to begin, and why.
func approachRow(p *press, c *checklist) row {
	const edge, w = 3.0, width - 6.0
	lines := p.set(style{size: 12, bold: true}, c.Approach, w)
	say := func(t task, before string) {
		if t.Text == "" {
			return
		}
		lines = append(lines, p.set(plain(), before+t.Text+bracket(t.Source), w)...)
		lines = append(lines, p.set(small(), t.Detail, w)...)
	}
	say(c.Advice, "")
	for _, t := range c.Why {
		say(t, "– ")
	}
	return row{gap: 1.5, pad: 1.4, box: 0.5, cells: []cell{{x: edge, w: w, lines: lines}}}
}

func bracket(source string) string {
	if source == "" {
		return ""
	}
	return " [" + source + "]"
}

func groupRows(p *press, g group) []row {
	rows := []row{section(p, g.Title, 2)}
	if g.About != "" {
		rows = append(rows, row{pad: 0.2, keep: true, cells: []cell{{w: width, lines: p.set(small(), g.About, width)}}})
	}
	if g.Short {
		var texts []string
		for _, t := range g.Lines {
			texts = append(texts, t.Text+bracket(t.Source))
		}
		return append(rows, twoColumns(p, texts)...)
	}
	for _, t := range g.Lines {
		rows = append(rows, taskRow(p, t))
	}
	return rows
}

// taskRow is one line with its box, and its small print below. What presses is set bold and has a bar; an alarm says so in words
// too, because a copy has no red.
func taskRow(p *press, t task) row {
	const mark, x = 2.2, 7.0
	const w = width - x
	set, text := plain(), t.Text+bracket(t.Source)
	r := row{pad: 0.35}
	if t.Press {
		set, r.bar = strong(), 1.2
	}
	if t.Alarm {
		r.alarm, text = true, alarmWords+text
	}
	if t.Box {
		r.cells = append(r.cells, cell{x: mark, w: x - mark, lines: p.set(style{size: 10, line: 9}, "☐", x-mark)})
	}
	c := cell{x: x, w: w, lines: p.set(set, text, w)}
	c.lines = append(c.lines, p.set(small(), t.Detail, w)...)
	r.cells = append(r.cells, c)
	return r
}

// alarmWords stand before what is marked in red.
const alarmWords = "High risk: "

// predictorRows is a table with three boxes to a line, of which what the record says is marked.
func predictorRows(p *press, c *checklist) []row {
	if len(c.Predictors) == 0 {
		return nil
	}
	columns := []cell{{x: 0, w: 48}, {x: 50, w: 12}, {x: 63, w: 12}, {x: 76, w: 15}, {x: 93, w: width - 93}}
	var lines [][][]line
	for _, x := range c.Predictors {
		box := func(s plan.State) []line {
			mark := "☐"
			if x.Has(string(s)) {
				mark = "☒"
			}
			return p.set(style{size: 10, line: 9}, mark, 6)
		}
		name := plain()
		if x.Has(string(plan.Present)) {
			name = strong()
		}
		text := append(p.set(plain(), x.Text+bracket(x.Source), columns[4].w), p.set(small(), x.Entries, columns[4].w)...)
		lines = append(lines, [][]line{p.set(name, x.Name, columns[0].w), box(plan.Present), box(plan.Absent), box(plan.NotKnown), text})
	}
	return about(p, predictorAbout, closer(table(p, predictorTitle, columns, []string{"Predictor", "present", "absent", "not known", "What the record says"}, lines)))
}

const (
	predictorTitle = "What speaks for a difficult removal"
	predictorAbout = "Absent only where an entry says so. No figure for this patient is made of these."
	stepTitle      = "Techniques, in the order in which they would be tried"
	stepAbout      = "Each further step only after risk and benefit were weighed again. Sheath sizes and hazards are from memory: the instructions for use of your own kit prevail."
)

func stepRows(p *press, c *checklist) []row {
	if len(c.Steps) == 0 {
		return nil
	}
	columns := []cell{{x: 0, w: 5}, {x: 6, w: 62}, {x: 71, w: 42}, {x: 116, w: 28}, {x: 147, w: width - 147}}
	var lines [][][]line
	for _, s := range c.Steps {
		what := append(p.set(plain(), s.Technique+bracket(s.Source), columns[1].w), p.set(small(), s.When, columns[1].w)...)
		lines = append(lines, [][]line{
			p.set(plain(), s.Number, columns[0].w), what, p.set(small(), s.Access, columns[2].w), p.set(small(), s.Hazards, columns[3].w), p.set(small(), s.BailOut, columns[4].w),
		})
	}
	return about(p, stepAbout, closer(table(p, stepTitle, columns, []string{"", "Technique, and when", "Access, usual sheath", "Hazards", "If it fails or tears"}, lines)))
}

// closer sets the lines of a table closer; its first two rows are title and heads.
func closer(rows []row) []row {
	for i := range rows[2:] {
		rows[2+i].pad = 0.3
	}
	return rows
}

// about puts small print under the title of a table.
func about(p *press, text string, rows []row) []row {
	words := row{pad: 0.2, keep: true, cells: []cell{{w: width, lines: p.set(small(), text, width)}}}
	return append([]row{rows[0], words}, rows[1:]...)
}

func shelfRows(p *press, c *checklist) []row {
	if len(c.Shelf) == 0 {
		return nil
	}
	return append([]row{section(p, "On the shelf", 2)}, twoColumns(p, c.Shelf)...)
}

// twoColumns sets short lines with a box each in two columns, the left one first. The columns are one row: their lines do not wait
// for each other.
func twoColumns(p *press, texts []string) []row {
	const half, mark, x = width / 2, 2.2, 7.0
	rest := (len(texts) + 1) / 2
	r := row{pad: 0.5}
	for column, part := range [][]string{texts[:rest], texts[rest:]} {
		left := half * float64(column)
		boxes, words := cell{x: left + mark, w: x - mark}, cell{x: left + x, w: half - x - 3}
		for _, text := range part {
			between := line{style: style{size: 2, tight: p.tight}}
			for i, l := range p.set(plain(), text, words.w) {
				box := line{style: l.style}
				if i == 0 {
					box.text = "☐"
				}
				boxes.lines, words.lines = append(boxes.lines, box), append(words.lines, l)
			}
			boxes.lines, words.lines = append(boxes.lines, between), append(words.lines, between)
		}
		r.cells = append(r.cells, boxes, words)
	}
	return []row{r}
}

// planAppendixRows are the figures published on the predictors, and the sources of the plan.
func planAppendixRows(p *press, v view) []row {
	if v.plan == nil {
		return nil
	}
	var published, sources [][][]line
	odds := []cell{{x: 0, w: 38}, {x: 41, w: width - 41}}
	for _, x := range v.plan.Predictors {
		if x.Published != "" {
			published = append(published, [][]line{p.set(plain(), x.Name, odds[0].w), p.set(plain(), x.Published+bracket(x.Source), odds[1].w)})
		}
	}
	from := []cell{{x: 0, w: 8}, {x: 9, w: 117}, {x: 129, w: width - 129}}
	for i, s := range v.plan.Sources {
		sources = append(sources, [][]line{p.set(plain(), "["+strconv.Itoa(i+1)+"]", from[0].w), p.set(plain(), s.Source, from[1].w), p.set(beside(), s.Known, from[2].w)})
	}
	var rows []row
	if len(published) > 0 {
		rows = table(p, publishedTitle, odds, []string{"Predictor", "Published, of groups of patients; never a figure for this one"}, published)
	}
	return append(rows, table(p, sourcesTitle, from, []string{"", "Source", "How it is known"}, sources)...)
}

const (
	publishedTitle = "What was published on the predictors"
	sourcesTitle   = "Sources of the plan"
)
