package workup

import (
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

// body lays out the document in reading order.
func body(p *press, v view) []row {
	rows := []row{band(p)}
	if v.telephone != "" {
		rows = append(rows, telephoneRow(p, v))
	}
	rows = append(rows, whoRow(p, v), factStrip(p, v), verdictRow(p, v))
	rows = append(rows, contradictionRows(p, v)...)
	rows = append(rows, stateRows(p, v)...)
	rows = append(rows, findingRows(p, v)...)
	rows = append(rows, missingRows(p, v)...)
	rows = append(rows, eventRows(p, v)...)
	rows = append(rows, unreadRows(p, v)...)
	return append(rows, cautionRows(p, v)...)
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
		c.lines = append(c.lines, p.set(label(), f.label, c.w)...)
		c.lines = append(c.lines, p.set(style{size: 11, bold: true}, f.value, c.w)...)
		c.lines = append(c.lines, p.set(small(), f.detail, c.w)...)
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
		ask.lines = append(ask.lines, p.set(label(), f.label, ask.w)...)
		ask.lines = append(ask.lines, p.set(style{size: 10, bold: true}, f.value, ask.w)...)
		ask.lines = append(ask.lines, p.set(small(), f.detail, ask.w)...)
	}
	return row{gap: 3, pad: 2, box: 0.5, divider: parting, cells: []cell{answer, ask}}
}

func contradictionRows(p *press, v view) []row {
	if len(v.contradictions) == 0 {
		return nil
	}
	const x, w = 4.0, width - 4.0
	rows := []row{{
		gap: p.sectionGap(), pad: 0.5, bar: 1.4, keep: true,
		cells: []cell{{x: x, w: w, lines: p.set(heading(), "The record disagrees with itself", w)}},
	}}
	for _, c := range v.contradictions {
		lines := p.set(plain(), c.text, w)
		note := "Record entries: " + c.entries
		if c.firm {
			lines = p.set(strong(), c.text, w)
			note = "This decides the verdict. " + note
		}
		lines = append(lines, p.set(small(), note, w)...)
		rows = append(rows, row{pad: 0.5, bar: 1.4, cells: []cell{{x: x, w: w, lines: lines}}})
	}
	return rows
}

// section is a heading over a rule, kept with what follows.
func section(p *press, text string) row {
	return row{
		gap: p.sectionGap(), pad: 0.4, rule: 0.35, keep: true,
		cells: []cell{{w: width, lines: p.set(heading(), text, width)}},
	}
}

func stateRows(p *press, v view) []row {
	const x, labelWidth = 30.0, 28.0
	rows := []row{section(p, "What the verdict rests on")}
	for _, f := range v.state {
		value := cell{x: x, w: width - x, lines: p.set(plain(), f.value, width-x)}
		value.lines = append(value.lines, p.set(small(), f.detail, width-x)...)
		rows = append(rows, row{
			pad:   0.3,
			cells: []cell{{w: labelWidth, lines: p.set(strong(), f.label, labelWidth)}, value},
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
	rows := []row{section(p, title), head}
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
	return []row{section(p, title), {pad: rowPad, cells: []cell{{w: width, lines: p.set(plain(), text, width)}}}}
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
			p.set(plain(), f.text, columns[1].w),
			p.set(beside(), f.entries, columns[2].w),
			p.set(beside(), f.source, columns[3].w),
		})
	}
	return table(p, name, columns, heads, lines)
}

func missingRows(p *press, v view) []row {
	const name = "Missing from the record"
	if len(v.missing) == 0 {
		return remark(p, name, "Nothing that the rules look for was found to be missing.")
	}
	rows := []row{section(p, name)}
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
	const name = "Timeline"
	if len(v.events) == 0 {
		return remark(p, name, "No event on record is tied to this filter.")
	}
	columns := []cell{{x: 7, w: 39}, {x: 48, w: 30}, {x: 80, w: 55}, {x: 138, w: 40}}
	heads := []string{"When", "What", "As recorded", "Record entries"}
	var lines [][][]line
	for _, e := range v.events {
		lines = append(lines, [][]line{
			p.set(plain(), e.when, columns[0].w),
			p.set(strong(), e.what, columns[1].w),
			p.set(plain(), e.text, columns[2].w),
			p.set(beside(), e.entries, columns[3].w),
		})
	}
	rows := table(p, name, columns, heads, lines)
	events := rows[len(rows)-len(v.events):]
	for i := range events {
		events[i].rule = 0
		events[i].mark = hollow
		if v.events[i].firm {
			events[i].mark = solid
		}
	}
	events[0].first = true
	events[len(events)-1].final = true
	return rows
}

func unreadRows(p *press, v view) []row {
	if len(v.unread) == 0 {
		return nil
	}
	columns := []cell{{x: 0, w: 70}, {x: 74, w: width - 74}}
	var lines [][][]line
	for _, u := range v.unread {
		lines = append(lines, [][]line{p.set(beside(), u.entries, columns[0].w), p.set(plain(), u.text, columns[1].w)})
	}
	return table(p, "Could not be read", columns, []string{"Element", "Why, and what was done instead"}, lines)
}

// cautionRows sets the cautions as one paragraph, so that they stay on the first page where they can.
func cautionRows(p *press, v view) []row {
	text := strings.Join(v.cautions, " ")
	return []row{section(p, "Read this with care"), {pad: rowPad, cells: []cell{{w: width, lines: p.set(small(), text, width)}}}}
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
