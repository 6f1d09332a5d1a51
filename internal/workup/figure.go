package workup

import (
	"fmt"
	"slices"

	"dwellwatch/internal/filter"
)

// figure is a finished drawing in millimetres: shapes below, words above.
type figure struct {
	title, about string
	w, h         float64
	shapes       []shape
	words        []word
	labels       []rect // the box of every text
	cut          bool   // the words of a label were cut to fit
}

// frame is the room that a figure has.
type frame struct {
	w, h  float64 // h is the most it may take; 0 is no bound
	days  float64 // height shared out among the pieces by their days, beside what each takes anyway
	size  float64 // type size in points
	lines int     // lines of a label's text at most; 0 is no bound
	scale float64 // width of the column of scales
	lane  float64 // width of a bar's lane
	tick  float64 // width of the column of days
	elbow float64 // width of the space in which leaders bend
}

// The figure on paper, and a slim one that can still be read on a telephone's screen.
func paperFrame(h float64) frame {
	return frame{w: width, h: h, days: 24, size: 8, scale: 16, lane: 13, tick: 18, elbow: 8}
}

func screenFrame() frame {
	return frame{w: 120, days: 40, size: 8.2, scale: 14.5, lane: 11.6, tick: 17, elbow: 5}
}

const (
	signRoom = 4.2 // from a label's edge to its words: its sign stands there
	markRoom = 1.6 // from the axis to the first bracket
)

// block is a label before it has a place.
type block struct {
	mark  dated
	heads []string // the days, bold
	texts []string
	inset float64 // where the first text begins on the line of the last head; 0 is on a line of its own
	h     float64
}

// plotter lays out one figure.
type plotter struct {
	frame
	m      measure
	c      chronicle
	ax     axis
	fig    figure
	lead   float64 // line distance
	axisX  float64
	spanX  map[int]float64 // by mark: where its bracket stands
	labelX float64
	y      float64
}

// plot draws a chronicle. It is geometry only: the same for every surface but for the measure of type.
func plot(c chronicle, fr frame, m measure) figure {
	whole := newPlotter(c, fr, m)
	if whole.fig.h <= fr.h || fr.h == 0 {
		return whole.fig
	}
	const most = 3 // lines of a label where a whole page cannot hold all words
	for lines := most; ; lines-- {
		fr.lines = lines
		if p := newPlotter(c, fr, m); p.fig.h <= fr.h {
			return p.fig
		}
		if lines == 1 {
			return thinnedPlot(c, fr, m)
		}
	}
}

// grown is a frame that fills a height, with room for the days rather than between labels.
func (fr frame) grown(fig figure, h float64) frame {
	fr.days += max(0, h-fig.h)
	return fr
}

// thinnedPlot draws what fits where there are more entries than a page has lines. The history names them all.
func thinnedPlot(c chronicle, fr frame, m measure) figure {
	for marks, beside := len(c.marks), len(c.beside); ; {
		p := newPlotter(c.thinned(marks, beside), fr, m)
		over := int((p.fig.h-fr.h)/p.lead/2) + 1
		if p.fig.h <= fr.h || marks+beside <= 4 {
			return p.fig
		}
		if beside > marks/2 {
			beside -= min(over, beside-1)
		} else {
			marks -= min(over, marks-3)
		}
	}
}

func newPlotter(c chronicle, fr frame, m measure) *plotter {
	p := &plotter{frame: fr, m: m, c: c, ax: newAxis(c.days()), lead: fr.size * mmPerPoint * 1.25}
	p.fig = figure{w: fr.w, title: "Time line of the filter", about: c.describe()}
	p.columns()
	if len(c.days()) == 1 {
		p.note("No entry of this filter has a day that is known, even in part: there is no axis to draw.")
		p.besides()
		p.fig.h = p.y
		return p
	}
	p.heads()
	blocks := p.blocks()
	p.pieces(blocks)
	for i := range p.ax {
		p.piece(i)
		p.bars(i)
		p.marks(i, blocks)
		if i > 0 {
			p.cut(i)
		}
	}
	p.today()
	p.besides()
	p.fig.h = p.y
	return p
}

// columns puts the columns side by side: scales, bars, days, axis, brackets, leaders, labels.
func (p *plotter) columns() {
	p.axisX = p.scale + p.lane*float64(len(p.c.lanes)) + p.tick
	p.spanX = map[int]float64{}
	var free []filter.Day // by column of brackets: the first day after its last bracket
	column := map[int]int{}
	for i, d := range p.c.marks {
		if d.from == d.to {
			continue
		}
		from, to := d.first(), d.to
		if to >= filter.MaxDay {
			to = d.from
		}
		at := slices.IndexFunc(free, func(day filter.Day) bool { return day < from })
		if at < 0 {
			at = len(free)
			free = append(free, 0)
		}
		free[at], column[i] = to+20, at // brackets end in arms, so that neighbours need some days between them
	}
	room := min(12, 2.4*float64(len(free)))
	for i, at := range column {
		p.spanX[i] = p.axisX + markRoom + room*(float64(at)+0.5)/float64(len(free))
	}
	p.labelX = p.axisX + markRoom + room + p.elbow
}

// text puts a line of text into the figure and keeps its box. x is its left edge, or its right edge where end is set.
func (p *plotter) text(x, top, size float64, bold, end bool, text string) {
	w := p.m(size, bold, text)
	if end {
		x -= w
	}
	lead := size * mmPerPoint * 1.25
	p.fig.words = append(p.fig.words, word{x: x, y: top + lead/2 + 0.365*size*mmPerPoint, w: w, size: size, bold: bold, text: text})
	p.fig.labels = append(p.fig.labels, rect{x, top, w, lead})
}

func (p *plotter) stroke(line float64, d dash, points ...point) {
	p.fig.shapes = append(p.fig.shapes, shape{points: points, line: line, dash: d})
}

// heads names the columns.
func (p *plotter) heads() {
	size, lines := p.size*0.85, 1
	head := func(x, w float64, text string) {
		list := p.m.wrap(size, false, text, w, w, 2)
		for i, l := range list {
			p.text(x, float64(i)*size*mmPerPoint*1.25, size, false, false, l)
		}
		lines = max(lines, len(list))
	}
	head(0, p.scale-1, "Scale")
	for i, lane := range p.c.lanes {
		head(p.scale+p.lane*float64(i), p.lane-0.6, lane)
	}
	p.text(p.axisX-2, 0, size, false, true, "Day")
	head(p.labelX, p.w-p.labelX, "What is on record")
	p.y = float64(lines)*size*mmPerPoint*1.25 + 1
}

// blocks sets the words of every label.
func (p *plotter) blocks() []block {
	x := p.labelX + signRoom
	room := p.w - x
	list := make([]block, 0, len(p.c.marks))
	for _, d := range p.c.marks {
		list = append(list, p.block(d, room))
	}
	return list
}

func (p *plotter) block(d dated, room float64) block {
	b := block{mark: d, heads: p.m.wrap(p.size, true, d.when, room, room, 0)}
	used := p.m(p.size, true, b.heads[len(b.heads)-1]) + p.size*0.25
	n := len(b.heads)
	if used < 0.6*room {
		b.inset = used
		n--
	}
	b.texts = p.m.wrap(p.size, false, d.text, room-b.inset, room, p.lines)
	p.fig.cut = p.fig.cut || p.lines > 0 && len(p.m.wrap(p.size, false, d.text, room-b.inset, room, 0)) > p.lines
	b.h = float64(n+len(b.texts))*p.lead + 0.7
	return b
}

// put prints a label with its upper edge at y.
func (p *plotter) put(b block, y float64) {
	x := p.labelX + signRoom
	p.fig.shapes = append(p.fig.shapes, signShapes(b.mark.sign, point{p.labelX + 1.4, y + p.lead/2}, b.mark.texture)...)
	for _, l := range b.heads {
		p.text(x, y, p.size, true, false, l)
		y += p.lead
	}
	if b.inset > 0 {
		y -= p.lead
	}
	for i, l := range b.texts {
		at := x
		if i == 0 {
			at += b.inset
		}
		p.text(at, y, p.size, false, false, l)
		y += p.lead
	}
}

// pieces gives every piece of the axis its height: enough for its labels, more for more days.
func (p *plotter) pieces(blocks []block) {
	days := 0
	for _, a := range p.ax {
		days += int(a.to - a.from)
	}
	for i := range p.ax {
		a := &p.ax[i]
		if i > 0 {
			p.y += p.cutHeight(i)
		}
		need := 1.5
		for _, b := range blocks {
			if p.ax.pieceOf(b.mark.first()) == i {
				need += b.h
			}
		}
		h := 2*pieceEnd + 3
		if a.from < a.to {
			h = 14 + p.days*float64(a.to-a.from)/float64(days)
		}
		a.top, a.bottom = p.y, p.y+max(h, need)
		p.y = a.bottom
	}
}

func (p *plotter) cutLines(i int) []string {
	w := p.w - p.labelX
	return p.m.wrap(p.size, false, cutWords(p.ax[i-1], p.ax[i]), w, w, 0)
}

func (p *plotter) cutHeight(i int) float64 { return max(9, float64(len(p.cutLines(i)))*p.lead+3.4) }

// marks draws the labels of a piece, the brackets of partly known days, and the leaders between them.
func (p *plotter) marks(piece int, blocks []block) {
	type placed struct {
		at     int
		anchor float64
	}
	var here []placed
	for i, b := range blocks {
		if p.ax.pieceOf(b.mark.first()) == piece {
			here = append(here, placed{i, p.anchor(piece, b.mark)})
		}
	}
	slices.SortStableFunc(here, func(a, b placed) int {
		switch {
		case a.anchor < b.anchor:
			return -1
		case a.anchor > b.anchor:
			return 1
		}
		return 0
	})
	var wanted, heights []float64
	for _, h := range here {
		wanted = append(wanted, h.anchor-p.lead/2)
		heights = append(heights, blocks[h.at].h)
	}
	tops := spread(wanted, heights, p.ax[piece].top+0.5, p.ax[piece].bottom-0.5)
	for i, h := range here {
		x, y := p.mark(h.at, blocks[h.at].mark, h.anchor), tops[i]+p.lead/2
		bend := p.labelX - p.elbow
		p.stroke(hairline, unbroken, point{x, h.anchor}, point{bend, h.anchor}, point{p.labelX - 1, y}, point{p.labelX, y})
		p.put(blocks[h.at], tops[i])
	}
}

// anchor is the height from which a label's leader starts: its day, or the middle of its bracket.
func (p *plotter) anchor(piece int, d dated) float64 {
	y := p.ax.at(d.first())
	if d.from <= filter.MinDay || d.to >= filter.MaxDay {
		return y
	}
	if p.ax.pieceOf(d.to) != piece {
		return (y + p.ax[piece].bottom) / 2
	}
	return (y + p.ax.at(d.to)) / 2
}

// mark draws a day on the axis, or the bracket over the days on one of which it lies. It gives where the leader starts.
func (p *plotter) mark(i int, d dated, anchor float64) float64 {
	if d.from == d.to {
		if d.sign != signAsOf {
			p.fig.shapes = append(p.fig.shapes, shape{points: round(point{p.axisX, anchor}, 0.65), closed: true, fill: ink})
		}
		return p.axisX
	}
	const arm, tail, tip = 0.8, 4.4, 0.8
	x := p.spanX[i]
	foot := func(y float64) { p.stroke(fineLine, unbroken, point{x - arm, y}, point{x + arm, y}) }
	y := p.ax.at(d.first())
	switch {
	case d.from <= filter.MinDay, d.to >= filter.MaxDay:
		// Only one side is known: a foot there, and an arrow towards the other.
		end := y - tail
		if d.to >= filter.MaxDay {
			end = y + tail
		}
		sense := (end - y) / tail
		foot(y)
		p.stroke(fineLine, unbroken, point{x, y}, point{x, end})
		p.stroke(fineLine, unbroken, point{x - tip, end - sense*tip}, point{x, end}, point{x + tip, end - sense*tip})
	default:
		foot(y)
		foot(p.ax.at(d.to))
		for _, a := range p.ax {
			if top, bottom, ok := a.clip(d.from, d.to, p.ax); ok {
				p.stroke(firmLine, unbroken, point{x, top}, point{x, bottom})
			}
		}
	}
	return x
}

// thinned keeps the words of the weightiest entries, and says how many others there are and over which days.
func (c chronicle) thinned(marks, beside int) chronicle {
	if n := len(c.beside) - beside; n > 0 {
		c.beside = append(slices.Clone(c.beside[:beside]), dated{when: "and", text: "1 further entry without a day, named in the history only"})
		if n > 1 {
			c.beside[beside].text = fmt.Sprintf("%d further entries without a day, named in the history only", n)
		}
	}
	order := make([]int, len(c.marks))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return int(c.marks[a].sign) - int(c.marks[b].sign) })
	left := order[min(marks, len(order)):]
	if len(left) == 0 {
		return c
	}
	var kept []dated
	from, to := filter.MaxDay, filter.MinDay
	for i, d := range c.marks {
		if !slices.Contains(left, i) {
			kept = append(kept, d)
			continue
		}
		from, to = min(from, d.first()), max(to, d.first())
	}
	more := dated{sign: signOther, from: from, to: to, when: from.String() + " to " + to.String(), text: fmt.Sprintf("%d further entries, named in the history only", len(left))}
	c.marks = append(kept, more)
	slices.SortStableFunc(c.marks, func(x, y dated) int { return int(x.first() - y.first()) })
	return c
}
