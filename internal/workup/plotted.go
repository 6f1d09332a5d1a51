package workup

import (
	"fmt"

	"dwellwatch/internal/filter"
)

// piece draws the axis of one piece with its named days and its scale.
func (p *plotter) piece(i int) {
	a := p.ax[i]
	p.stroke(firmLine, unbroken, point{p.axisX, a.top}, point{p.axisX, a.bottom})
	size := p.size * 0.9
	lead := size * mmPerPoint * 1.25
	for _, t := range a.ticks(lead + 0.3) {
		y := p.ax.at(t.day)
		p.stroke(fineLine, unbroken, point{p.axisX - 1.3, y}, point{p.axisX, y})
		p.text(p.axisX-2, y-lead/2, size, false, true, t.text)
		if len(p.c.lanes) > 0 {
			p.stroke(hairline, dotted, point{p.scale, y}, point{p.axisX - p.tick, y})
		}
	}
	const x, arm = 1.0, 0.9
	n := a.scale()
	if n == 0 {
		p.text(0, (a.top+a.bottom)/2-lead/2, size*0.94, false, false, "one day")
		return
	}
	// Long enough to be seen where the piece is short, and beside words.
	top, length := a.top+pieceEnd, float64(n)*a.perDay()
	p.stroke(firmLine, unbroken, point{x - arm, top}, point{x + arm, top})
	p.stroke(firmLine, unbroken, point{x, top}, point{x, top + length})
	p.stroke(firmLine, unbroken, point{x - arm, top + length}, point{x + arm, top + length})
	p.text(x+arm+0.7, top+length/2-lead/2, size*0.94, false, false, plural(n))
}

// bars draws the part of every bar that lies in a piece.
func (p *plotter) bars(i int) {
	a := p.ax[i]
	for lane, name := range p.c.lanes {
		taken := []filter.Day{} // by column within the lane: the last day of its last bar
		var columns []int
		for _, b := range p.c.bars {
			if b.lane != name {
				continue
			}
			at := 0
			for at < len(taken) && taken[at] >= b.possible[0] {
				at++
			}
			if at == len(taken) {
				taken = append(taken, 0)
			}
			taken[at] = b.possible[1]
			columns = append(columns, at)
		}
		w := min(4.2, (p.lane-2)/float64(max(1, len(taken))))
		n := 0
		for _, b := range p.c.bars {
			if b.lane != name {
				continue
			}
			p.bar(a, b, p.scale+p.lane*float64(lane)+0.6+w*float64(columns[n]), w-0.4)
			n++
		}
	}
}

// bar draws what is sure of a bar in its texture, and what is only possible as an outline of dashes.
func (p *plotter) bar(a piece, b bar, x, w float64) {
	top, bottom, ok := a.clip(b.possible[0], b.possible[1], p.ax)
	if !ok {
		return
	}
	const least = 0.8 // a day's stretch can still be seen
	if bottom-top < least {
		top, bottom = (top+bottom-least)/2, (top+bottom+least)/2
	}
	sureTop, sureBottom, some := a.clip(b.sure[0], b.sure[1], p.ax)
	some = some && b.sure[0] <= b.sure[1]
	if !some {
		p.fig.shapes = append(p.fig.shapes, shape{points: rect{x, top, w, bottom - top}.corners(), closed: true, line: fineLine, dash: dashed})
	} else {
		// Three sides of a box above what is sure, and below it: dashes along a full bar would look like a ragged edge.
		if sureTop > top {
			p.stroke(fineLine, dashed, point{x, sureTop}, point{x, top}, point{x + w, top}, point{x + w, sureTop})
		}
		if sureBottom < bottom {
			p.stroke(fineLine, dashed, point{x, sureBottom}, point{x, bottom}, point{x + w, bottom}, point{x + w, sureBottom})
		}
	}
	if b.open && b.possible[0] >= a.from && b.possible[0] <= a.to {
		mid := x + w/2
		p.stroke(fineLine, unbroken, point{mid - 0.8, top - 0.9}, point{mid, top - 1.8}, point{mid + 0.8, top - 0.9})
	}
	if !some {
		return
	}
	if sureBottom-sureTop < least {
		sureTop, sureBottom = (sureTop+sureBottom-least)/2, (sureTop+sureBottom+least)/2
	}
	p.fig.shapes = append(p.fig.shapes, filled(rect{x, sureTop, w, sureBottom - sureTop}, b.texture)...)
}

// cut draws the torn edges where years are left out, and says how many.
func (p *plotter) cut(i int) {
	top, bottom := p.ax[i-1].bottom, p.ax[i].top
	from, to := p.scale-1, p.labelX-p.elbow+1
	for _, y := range []float64{top + 0.9, bottom - 0.9} {
		p.fig.shapes = append(p.fig.shapes, shape{points: torn(from, to, y), line: firmLine})
	}
	p.stroke(fineLine, dashed, point{p.axisX, top + 1.8}, point{p.axisX, bottom - 1.8})
	lines := p.cutLines(i)
	y := (top+bottom)/2 - float64(len(lines))*p.lead/2
	p.stroke(fineLine, unbroken, point{to + 0.5, (top + bottom) / 2}, point{p.labelX - 1, (top + bottom) / 2})
	for _, l := range lines {
		p.text(p.labelX, y, p.size, false, false, l)
		y += p.lead
	}
}

// today draws a firm line across bars and axis on the day of the assessment.
func (p *plotter) today() {
	y := p.ax.at(p.c.asOf)
	p.stroke(0.7, unbroken, point{p.scale - 1, y}, point{p.scale + p.lane*float64(len(p.c.lanes)), y})
	p.stroke(0.7, unbroken, point{p.axisX - 1.6, y}, point{p.axisX + 1.6, y})
}

// besides lists what has no day, and explains the brackets where there are any.
func (p *plotter) besides() {
	if len(p.spanX) > 0 {
		p.note("A bracket beside the axis: the day is not known exactly and lies in it. A bar in dashes: possible, not sure.")
	}
	if p.c.earlier > 0 {
		p.note(capital(plainCount(p.c.earlier, "entry", "entries")) + " of more than half a year before the placement: in the appendix, beside the history.")
	}
	if len(p.c.beside) == 0 {
		return
	}
	p.y += 2
	p.stroke(hairline, unbroken, point{0, p.y}, point{p.w, p.y})
	p.y += 0.8
	p.text(0, p.y, p.size, true, false, fmt.Sprintf("Not on the axis, no day known (%d)", len(p.c.beside)))
	p.y += p.lead + 0.3
	label := p.labelX
	p.labelX = 0
	for _, d := range p.c.beside {
		b := p.block(d, p.w-signRoom)
		p.put(b, p.y)
		p.y += b.h
	}
	p.labelX = label
}

func plainCount(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func (p *plotter) note(text string) {
	p.y += 1
	size := p.size * 0.9
	for _, l := range p.m.wrap(size, false, text, p.w, p.w, 0) {
		p.text(0, p.y, size, false, false, l)
		p.y += size * mmPerPoint * 1.25
	}
}
