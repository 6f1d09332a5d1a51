package workup

// planRows are the pages of the plan, after the answer: a list to mark by hand. There are none where the verdict has no plan.
func planRows(p *press, v view) []row {
	if v.plan == nil {
		return nil
	}
	first := chapter(p, "Plan for the removal", "A draft for the operator, to be marked by hand. Nothing here is an order; local protocol and the instructions for use prevail.")
	first.fresh = true
	rows := []row{first, approachRow(p, v)}
	for _, g := range v.plan.Groups {
		rows = append(rows, section(p, g.Title, 2))
		if g.About != "" {
			rows = append(rows, row{pad: 0.2, keep: true, cells: []cell{{w: width, lines: p.set(small(), g.About, width)}}})
		}
		for _, t := range g.Lines {
			rows = append(rows, taskRow(p, t))
		}
	}
	return rows
}

func approachRow(p *press, v view) row {
	const edge = 3.0
	return row{gap: 1.5, pad: 1.4, box: 0.5, cells: []cell{{x: edge, w: width - 2*edge, lines: p.set(style{size: 11, bold: true}, v.plan.Approach, width-2*edge)}}}
}

// taskRow is one line with its box, its small print below and its source at the right. What presses is set bold and has a bar.
func taskRow(p *press, t task) row {
	const mark, x, right = 2.2, 7.0, 50.0
	const w = width - x - right - 3
	set := plain()
	r := row{pad: 0.35}
	if t.Press {
		set, r.bar = strong(), 1.2
	}
	if t.Box {
		r.cells = append(r.cells, cell{x: mark, w: x - mark, lines: p.set(style{size: 10, line: 9}, "☐", x-mark)})
	}
	text := cell{x: x, w: w, lines: p.set(set, t.Text, w)}
	if t.Detail != "" {
		text.lines = append(text.lines, p.set(small(), t.Detail, w)...)
	}
	r.cells = append(r.cells, text)
	if t.Source != "" {
		r.cells = append(r.cells, cell{x: width - right, w: right, lines: p.set(beside(), t.Source, right)})
	}
	return r
}
