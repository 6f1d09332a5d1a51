package workup

import (
	"slices"
	"strconv"
	"strings"
)

// The styles of the document. Greys are dark enough to survive a poor printer, and no grey carries meaning.
func plain() style   { return style{size: 9} }
func strong() style  { return style{size: 9, bold: true} }
func small() style   { return style{size: 8, grey: 50} }
func beside() style  { return style{size: 8, grey: 50, line: 9} } // small print in a row of plain text
func label() style   { return style{size: 7.5, grey: 70} }
func heading() style { return style{size: 10, bold: true} }

const (
	draftWords = "DRAFT FOR CLINICIAN REVIEW"
	rowPad     = 0.7
)

// sectionGap is the space above a section.
func (p *press) sectionGap() float64 {
	if p.tight {
		return 2.2
	}
	return 3.2
}

// body lays out the document in reading order: the answer, the plan, the quality of the data, the appendix.
func body(p *press, v view, c chronicle) []row {
	rows := answerRows(p, v, c)
	rows = append(rows, planRows(p, v, rows[len(rows)-1].figure != nil)...)
	rows = append(rows, qualityRows(p, v)...)
	return append(rows, appendixRows(p, v)...)
}

// answerRows is the first page: it answers in ten seconds. The time line stands on it where it fits, else on the next.
func answerRows(p *press, v view, c chronicle) []row {
	top := band(p)
	top.outline = outline{"Answer", 1}
	rows := []row{top}
	if v.telephone != "" {
		rows = append(rows, telephoneRow(p, v))
	}
	rows = append(rows, whoRow(p, v))
	rows = append(rows, changedRows(p, v)...)
	rows = append(rows, doubtRows(p, v)...)
	rows = append(rows, factStrip(p, v), verdictRow(p, v))
	rows = append(rows, stateRows(p, v)...)
	cautions := cautionRows(p, v)
	title := section(p, "Time line, to scale", 1)
	const gap = 1.5
	room := p.bodyBottom - bodyTop - total(rows) - total(cautions) - total([]row{title}) - gap - 1
	measured := func(size float64, bold bool, text string) float64 {
		return p.measure(style{size: size, bold: bold}, text)
	}
	const most = 85 // a taller picture of few events says no more
	fr := paperFrame(p.bodyBottom - bodyTop - 30)
	fig := plot(c, fr, measured)
	if short := fr; fig.h > room {
		short.days, short.size = 6, 7.5 // labels need the room more than days do
		if low := plot(c, short, measured); low.h <= room && !low.cut {
			fr, fig = short, low // never by cutting words: rather than that it stands on the next page
		}
	}
	fits, tall := fig.h <= room, float64(most)
	if fits {
		tall = min(room, most) // grown to just that, it may come out longer by a rounding error
	}
	fig = plot(c, fr.grown(fig, tall), measured)
	line := []row{title, {gap: gap, figure: &fig}}
	if fits {
		return append(append(rows, line...), cautions...)
	}
	line[0].fresh = true
	return append(append(rows, cautions...), line...)
}

// qualityRows is the page on the quality of the data: what contradicts, what is missing, what could not be read.
func qualityRows(p *press, v view) []row {
	first := chapter(p, "Data quality", "What in the record contradicts itself, is missing or could not be read.")
	first.fresh = true
	rows := append([]row{first}, everyChangeRows(p, v)...)
	rows = append(rows, contradictionRows(p, v)...)
	rows = append(rows, missingRows(p, v)...)
	return append(rows, unreadRows(p, v)...)
}

// appendixRows is what the answer was made from. It begins a page unless it fits under the quality of the data, or half a
// page is left there.
func appendixRows(p *press, v view) []row {
	rows := findingRows(p, v)
	rows = append(rows, eventRows(p, v)...)
	rows = append(rows, besideRows(p, v)...)
	rows = append(rows, planAppendixRows(p, v)...)
	first := chapter(p, "Appendix", "What the rules found, with their sources and how each is known; the history, entry by entry; and the sources of the plan.")
	first.gap = 8
	first.room = min(total(append([]row{first}, rows...)), (p.bodyBottom-bodyTop)/2)
	return append([]row{first}, rows...)
}

// chapter is the heading of a part of the document.
func chapter(p *press, text, about string) row {
	c := cell{w: width, lines: p.set(style{size: 13, bold: true}, text, width)}
	c.lines = append(c.lines, p.set(small(), about, width)...)
	return row{gap: 4, pad: 0.6, keep: true, cells: []cell{c}, outline: outline{text, 1}}
}

func band(p *press) row {
	white := style{size: 12, bold: true, grey: 255}
	return row{
		fill: 1, pad: 1.3,
		cells: []cell{
			{x: 3, w: 100, lines: p.set(white, draftWords, 100)},
			{x: 110, w: width - 113, right: true, lines: p.set(white, "Vena cava filter work-up", width-113)},
		},
	}
}

func telephoneRow(p *press, v view) row {
	return row{
		gap: 1.5, pad: 1.4, box: 0.9,
		cells: []cell{{x: 3, w: width - 6, lines: p.set(style{size: 12, bold: true}, v.telephone, width-6)}},
	}
}

func whoRow(p *press, v view) row {
	const w = width
	lines := p.set(style{size: 14, bold: true}, v.name, w)
	return row{gap: 3, cells: []cell{{w: w, lines: append(lines, p.set(plain(), v.who, w)...)}}}
}

// factStrip answers which filter, standing, since when and how long, side by side.
func factStrip(p *press, v view) row {
	columns := []struct{ x, w float64 }{{0, 54}, {58, 34}, {95, 41}, {140, 38}}
	r := row{gap: 3, pad: 0.4}
	for i, f := range v.facts {
		c := cell{x: columns[i].x, w: columns[i].w}
		c.lines = append(c.lines, p.set(label(), f.Label, c.w)...)
		c.lines = append(c.lines, p.set(style{size: 11, bold: true}, f.Value, c.w)...)
		c.lines = append(c.lines, p.set(small(), f.Detail, c.w)...)
		r.cells = append(r.cells, c)
	}
	return r
}

// verdictRow is the answer: the verdict and its reason on the left, what is asked of whom by when on the right.
func verdictRow(p *press, v view) row {
	const edge, parting, right = 4.0, 116.0, 120.0
	answer := cell{x: edge, w: parting - 2*edge}
	answer.lines = append(answer.lines, p.set(label(), "Verdict", answer.w)...)
	answer.lines = append(answer.lines, p.set(style{size: 17, bold: true}, v.verdict, answer.w)...)
	for _, t := range v.tags {
		answer.lines = append(answer.lines, p.set(style{size: 10, bold: true, tag: true}, t, answer.w)...)
	}
	answer.lines = append(answer.lines, line{style: style{size: 2}})
	answer.lines = append(answer.lines, p.set(style{size: 10}, v.headline, answer.w)...)
	ask := cell{x: right, w: width - right - edge}
	for i, f := range v.asks {
		if i > 0 {
			ask.lines = append(ask.lines, line{style: style{size: 3}})
		}
		ask.lines = append(ask.lines, p.set(label(), f.Label, ask.w)...)
		ask.lines = append(ask.lines, p.set(style{size: 10, bold: true}, f.Value, ask.w)...)
		ask.lines = append(ask.lines, p.set(small(), f.Detail, ask.w)...)
	}
	return row{gap: 3, pad: 2, box: 0.5, divider: parting, cells: []cell{answer, ask}}
}

// doubtRows puts the contradictions on top of the answer, those that decide first. The page on the quality of the data has
// all of them in full, with the entries.
func doubtRows(p *press, v view) []row {
	if len(v.contradictions) == 0 {
		return nil
	}
	const x, w, most = 4.0, width - 4.0, 3
	order := slices.Clone(v.contradictions)
	slices.SortStableFunc(order, func(a, b item) int {
		switch {
		case a.Firm == b.Firm:
			return 0
		case a.Firm:
			return -1
		}
		return 1
	})
	c := cell{x: x, w: w, lines: p.set(heading(), "The record disagrees with itself", w)}
	for _, d := range order[:min(most, len(order))] {
		text, s := d.Text, plain()
		if d.Firm {
			text, s = d.Text+" This decides the verdict.", strong()
		}
		c.lines = append(c.lines, p.abbreviate(s, text, w, 3)...)
	}
	note := "Record entries: see Data quality."
	if n := len(order) - most; n > 0 {
		note = strconv.Itoa(n) + " more, and the record entries: see Data quality."
	}
	c.lines = append(c.lines, p.set(small(), note, w)...)
	return []row{{gap: 2.5, pad: 0.8, bar: 1.4, cells: []cell{c}}}
}

func contradictionRows(p *press, v view) []row {
	const name = "The record disagrees with itself"
	if len(v.contradictions) == 0 {
		return remark(p, name, "No: nothing in what was read contradicts what else was read of this filter.")
	}
	const x, w = 4.0, width - 4.0
	rows := []row{section(p, name, 2)}
	for i, c := range v.contradictions {
		lines := p.set(plain(), c.Text, w)
		note := "Record entries: " + c.Entries
		if c.Firm {
			lines = p.set(strong(), c.Text, w)
			note = "This decides the verdict. " + note
		}
		lines = append(lines, p.set(small(), note, w)...)
		r := row{pad: 0.6, bar: 1.4, cells: []cell{{x: x, w: w, lines: lines}}}
		if i == 0 {
			r.gap = 0.6
		}
		rows = append(rows, r)
	}
	return rows
}

// section is a heading over a rule, kept with what follows.
func section(p *press, text string, level int) row {
	return row{
		gap: p.sectionGap(), pad: 0.4, rule: 0.35, keep: true, outline: outline{text, level},
		cells: []cell{{w: width, lines: p.set(heading(), text, width)}},
	}
}

func stateRows(p *press, v view) []row {
	const x, labelWidth = 30.0, 28.0
	rows := []row{section(p, "What the verdict rests on", 0)}
	for _, f := range v.state {
		value := cell{x: x, w: width - x, lines: p.set(plain(), f.Value, width-x)}
		value.lines = append(value.lines, p.set(small(), f.Detail, width-x)...)
		rows = append(rows, row{
			pad:   0.3,
			cells: []cell{{w: labelWidth, lines: p.set(strong(), f.Label, labelWidth)}, value},
		})
	}
	return rows
}

// table lays out a section of columns; the column heads come again at the top of every further page.
func table(p *press, title string, columns []cell, heads []string, lines [][][]line) []row {
	head := row{pad: 0.4, keep: true, rule: 0.15}
	for i, c := range columns {
		c.lines = p.set(label(), heads[i], c.w)
		head.cells = append(head.cells, c)
	}
	again := head
	again.gap = 1.5
	rows := []row{section(p, title, 2), head}
	for i, texts := range lines {
		r := row{pad: rowPad, heading: &again}
		if i < len(lines)-1 {
			r.rule = 0.1
		}
		for j, c := range columns {
			c.lines = texts[j]
			r.cells = append(r.cells, c)
		}
		rows = append(rows, r)
	}
	return rows
}

// remark is a section that has nothing to list.
func remark(p *press, title, text string) []row {
	return []row{section(p, title, 2), {pad: rowPad, cells: []cell{{w: width, lines: p.set(plain(), text, width)}}}}
}

func findingRows(p *press, v view) []row {
	const name = "Findings"
	if len(v.findings) == 0 {
		return remark(p, name, "No rule says anything about this filter.")
	}
	columns := []cell{{x: 0, w: 6}, {x: 7, w: 80}, {x: 90, w: 38}, {x: 131, w: 47}}
	heads := []string{"", "Finding", "Record entries used", "Source, and how it is known"}
	var lines [][][]line
	for i, f := range v.findings {
		lines = append(lines, [][]line{
			p.set(plain(), strconv.Itoa(i+1), columns[0].w),
			p.set(plain(), f.Text, columns[1].w),
			p.set(beside(), f.Entries, columns[2].w),
			p.set(beside(), f.Source, columns[3].w),
		})
	}
	return table(p, name, columns, heads, lines)
}

func missingRows(p *press, v view) []row {
	const name = "Missing from the record"
	if len(v.missing) == 0 {
		return remark(p, name, "Nothing that the rules look for was found to be missing.")
	}
	rows := []row{section(p, name, 2)}
	for _, text := range v.missing {
		rows = append(rows, bullet(p, plain(), text))
	}
	return rows
}

func bullet(p *press, s style, text string) row {
	const x = 4.0
	return row{
		pad:   0.25,
		cells: []cell{{w: x, lines: p.set(s, "–", x)}, {x: x, w: width - x, lines: p.set(s, text, width-x)}},
	}
}

func eventRows(p *press, v view) []row {
	const name = "History, entry by entry"
	if len(v.events) == 0 {
		return remark(p, name, "No event on record is tied to this filter.")
	}
	columns := []cell{{x: 7, w: 39}, {x: 48, w: 30}, {x: 80, w: 55}, {x: 138, w: 40}}
	heads := []string{"When", "What", "As recorded", "Record entries"}
	var lines [][][]line
	for _, e := range v.events {
		lines = append(lines, [][]line{
			p.set(plain(), e.When, columns[0].w),
			p.set(strong(), e.What, columns[1].w),
			p.set(plain(), e.Text, columns[2].w),
			p.set(beside(), e.Entries, columns[3].w),
		})
	}
	rows := table(p, name, columns, heads, lines)
	events := rows[len(rows)-len(v.events):]
	for i := range events {
		events[i].rule = 0
		events[i].mark = hollow
		if v.events[i].Firm {
			events[i].mark = solid
		}
	}
	events[0].first = true
	events[len(events)-1].final = true
	return rows
}

// besideRows list what the time line shows beside the filter's own history.
func besideRows(p *press, v view) []row {
	if len(v.beside) == 0 {
		return nil
	}
	columns := []cell{{x: 7, w: 39}, {x: 48, w: 30}, {x: 80, w: 55}, {x: 138, w: 40}}
	var lines [][][]line
	for _, e := range v.beside {
		lines = append(lines, [][]line{
			p.set(plain(), e.When, columns[0].w), p.set(strong(), e.What, columns[1].w), p.set(plain(), e.Text, columns[2].w), p.set(beside(), e.Entries, columns[3].w),
		})
	}
	return table(p, besideTitle, columns, []string{"When", "What", "As recorded", "Record entries"}, lines)
}

const besideTitle = "Beside the history"

func unreadRows(p *press, v view) []row {
	if len(v.unread) == 0 {
		return remark(p, "Could not be read", "Nothing: every element that was looked at could be read.")
	}
	columns := []cell{{x: 0, w: 70}, {x: 74, w: width - 74}}
	var lines [][][]line
	for _, u := range v.unread {
		lines = append(lines, [][]line{p.set(beside(), u.Entries, columns[0].w), p.set(plain(), u.Text, columns[1].w)})
	}
	return table(p, "Could not be read", columns, []string{"Element", "Why, and what was done instead"}, lines)
}

// cautionRows sets the cautions as one paragraph, so that they stay on the first page where they can.
func cautionRows(p *press, v view) []row {
	text := strings.Join(v.cautions, " ")
	return []row{section(p, "Read this with care", 0), {pad: rowPad, cells: []cell{{w: width, lines: p.set(small(), text, width)}}}}
}

// runningHead tells on every further page whose document it is. Long names stand in full on the first page only.
func runningHead(p *press, v view) []row {
	const half = width / 2
	who := append(p.abbreviate(strong(), v.name, half-2, 2), p.abbreviate(label(), v.who, half-2, 2)...)
	rows := []row{{
		pad: 0.8, rule: 0.5,
		cells: []cell{
			{w: half - 2, lines: who},
			{x: half + 2, w: half - 2, right: true, lines: append(p.set(strong(), draftWords, half-2),
				p.set(label(), v.telephone, half-2)...)},
		},
	}}
	return rows
}

// foot is the line at the end of every page, without the page's number.
func foot(p *press, v view) row {
	const w = width - 30
	return row{pad: 1, cells: []cell{{w: w, lines: p.abbreviate(label(), v.footLine, w, 2)}}}
}

// pageNumber stands at the right end of the foot.
func pageNumber(p *press, page, pages int) row {
	const w = 28.0
	text := "Page " + strconv.Itoa(page) + " of " + strconv.Itoa(pages)
	return row{pad: 1, cells: []cell{{x: width - w, w: w, right: true, lines: p.set(label(), text, w)}}}
}
