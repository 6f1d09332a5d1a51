package workup

// tagPad is the space left and right of the words on a black plate.
const tagPad = 1.8

// line is one set line of text.
type line struct {
	style style
	text  string
}

// cell is a column of lines inside a row; x counts from the left margin.
type cell struct {
	x, w  float64
	right bool // the lines end at the right edge
	lines []line
}

func (c cell) height() float64 {
	h := 0.0
	for _, l := range c.lines {
		h += l.style.leading()
	}
	return h
}

// mark is the sign of a row on the time line.
type mark int

const (
	noMark  mark = iota
	solid        // something that happened
	hollow       // something only claimed or hinted at
	through      // the rest of a row that began on the page before
)

// row is the unit of layout: cells side by side, with what is drawn around them. Widths are in millimetres, 0 is none.
type row struct {
	cells   []cell
	pad     float64 // space above and below the text
	gap     float64 // space above the row, dropped at the top of a page
	keep    bool    // never parted from the next row by a page break
	fill    int     // shade of the ground plus one: 1 is black, 256 is white, 0 is no ground
	box     float64 // line width of a frame
	bar     float64 // width of a black bar along the left edge
	alarm   bool    // the bar is red
	rule    float64 // line width of a rule below
	divider float64 // place of an upright hairline
	mark    mark
	first   bool // the time line begins here
	final   bool // the time line ends here
	heading *row // repeated above this row where it begins a page
	figure  *figure
	fresh   bool    // begins a page
	room    float64 // begins a page unless this much is left of the one that is begun
	outline outline
}

// outline is a row's entry in the file's outline; level 1 is the highest, 0 is no entry.
type outline struct {
	text  string
	level int
}

func (r row) height() float64 {
	h := 0.0
	for _, c := range r.cells {
		h = max(h, c.height())
	}
	if r.figure != nil {
		h = max(h, r.figure.h)
	}
	return h + 2*r.pad
}

// split parts a row into what fits into h and what is left. ok is false where nothing fits.
func (r row) split(h float64) (head, tail row, ok bool) {
	head, tail = r, r
	head.cells, tail.cells = nil, nil
	head.final, tail.first, tail.gap = false, false, 0
	tail.fresh, tail.room, tail.outline = false, 0, outline{}
	if r.mark != noMark {
		tail.mark = through
	}
	for _, c := range r.cells {
		n, used := 0, 2*r.pad
		for n < len(c.lines) && used+c.lines[n].style.leading() <= h {
			used += c.lines[n].style.leading()
			n++
		}
		fits, rest := c, c
		fits.lines, rest.lines = c.lines[:n], c.lines[n:]
		head.cells = append(head.cells, fits)
		tail.cells = append(tail.cells, rest)
		ok = ok || n > 0
	}
	return head, tail, ok
}

// draw prints a row with its upper edge at y.
func (p *press) draw(r row, y float64) {
	h := r.height()
	pdf := p.pdf
	left := p.left
	if r.outline.level > 0 {
		p.use(plain()) // the library writes the entry in the script of the font in use
		pdf.Bookmark(r.outline.text, r.outline.level-1, y)
	}
	if r.fill > 0 {
		pdf.SetFillColor(r.fill-1, r.fill-1, r.fill-1)
		pdf.Rect(left, y, width, h, "F")
	}
	pdf.SetDrawColor(0, 0, 0)
	if r.bar > 0 {
		pdf.SetFillColor(0, 0, 0)
		if r.alarm {
			pdf.SetFillColor(170, 0, 0) // dark enough to print as black
		}
		pdf.Rect(left, y, r.bar, h, "F")
	}
	if r.box > 0 {
		pdf.SetLineWidth(r.box)
		pdf.Rect(left+r.box/2, y+r.box/2, width-r.box, h-r.box, "D")
	}
	if r.divider > 0 {
		pdf.SetLineWidth(0.2)
		pdf.Line(left+r.divider, y+r.pad, left+r.divider, y+h-r.pad)
	}
	if r.rule > 0 {
		if r.rule < 0.2 {
			pdf.SetDrawColor(140, 140, 140)
		}
		pdf.SetLineWidth(r.rule)
		pdf.Line(left, y+h, left+width, y+h)
	}
	pdf.SetDrawColor(0, 0, 0)
	p.drawMark(r, y, h)
	for _, c := range r.cells {
		p.drawCell(c, y+r.pad)
	}
	if r.figure != nil {
		p.drawFigure(r.figure, y+r.pad)
	}
}

// drawMark prints a row's piece of the time line, at the left margin beside the first line of text.
func (p *press) drawMark(r row, y, h float64) {
	if r.mark == noMark {
		return
	}
	const radius = 1.05
	x := p.left + 2
	beside := plain()
	beside.tight = p.tight
	centre := y + r.pad + beside.leading()/2
	top, bottom := y, y+h
	if r.first {
		top = centre
	}
	if r.final {
		bottom = centre
	}
	p.pdf.SetLineWidth(0.3)
	p.pdf.Line(x, top, x, bottom)
	if r.mark == through {
		return
	}
	p.pdf.SetFillColor(255, 255, 255)
	if r.mark == solid {
		p.pdf.SetFillColor(0, 0, 0)
	}
	p.pdf.Circle(x, centre, radius, "FD")
}

func (p *press) drawCell(c cell, y float64) {
	for _, l := range c.lines {
		lead := l.style.leading()
		w := p.measure(l.style, l.text)
		x := p.left + c.x
		if c.right {
			x += c.w - w
		}
		p.pdf.SetTextColor(l.style.grey, l.style.grey, l.style.grey)
		if l.style.tag {
			p.pdf.SetFillColor(0, 0, 0)
			p.pdf.Rect(x, y+0.4, w+2*tagPad, lead-0.8, "F")
			p.pdf.SetTextColor(255, 255, 255)
			x += tagPad
		}
		// Half the cap height of the face, about 0.365 of the size, puts the capitals on the middle of the line. A small
		// style on a larger line takes the base of the larger one, so that neighbours stand on one base.
		p.pdf.Text(x, y+lead/2+0.365*max(l.style.size, l.style.line)*mmPerPoint, l.text)
		y += lead
	}
}

// placed is a row with the height on the page at which it stands.
type placed struct {
	row row
	y   float64
}

// paginate puts rows on pages. Every page after the first begins with head; every page ends with foot. A row moves to the
// next page whole where it can, and is parted only where a whole page cannot hold it, so no line is ever lost.
func (s sheet) paginate(rows []row, head []row, foot row) [][]placed {
	b := binder{head: head}
	b.pages = append(b.pages, nil)
	b.y = bodyTop
	for len(rows) > 0 {
		n, need := s.group(rows)
		if turn := b.y+max(need, rows[0].room) > s.bodyBottom || rows[0].fresh; turn && b.begun {
			b.turn(rows[0].heading)
			continue
		}
		for _, r := range rows[:n-1] {
			b.put(r)
		}
		last := rows[n-1]
		rows = rows[n:]
		if room := s.bodyBottom - b.y - last.gap; last.height() > room {
			if part, rest, ok := last.split(room); ok {
				last, rows = part, append([]row{rest}, rows...)
			}
		}
		b.put(last)
		b.begun = true
	}
	for i := range b.pages {
		b.pages[i] = append(b.pages[i], placed{foot, s.footTop})
	}
	return b.pages
}

// group counts the rows that must begin on one page and gives the height they need. Rows that would fill half a page are
// not held together, so that each of them can be parted; a figure cannot be.
func (s sheet) group(rows []row) (n int, need float64) {
	for i, r := range rows {
		need += r.gap + r.height()
		if !r.keep || i == len(rows)-1 || need > (s.bodyBottom-bodyTop)/2 && rows[i+1].figure == nil {
			return i + 1, need
		}
	}
	return len(rows), need
}

// total is the height of rows that follow each other.
func total(rows []row) float64 {
	h := 0.0
	for _, r := range rows {
		h += r.gap + r.height()
	}
	return h
}

// binder fills pages one after the other.
type binder struct {
	head  []row
	pages [][]placed
	y     float64 // where the next row goes
	begun bool    // a row of the body stands on the last page
}

func (b *binder) put(r row) {
	last := len(b.pages) - 1
	if len(b.pages[last]) > 0 {
		b.y += r.gap
	}
	b.pages[last] = append(b.pages[last], placed{r, b.y})
	b.y += r.height()
}

// turn begins a page with the running head and the column heads of the table that goes on, if one does.
func (b *binder) turn(columns *row) {
	b.pages = append(b.pages, nil)
	b.y, b.begun = bodyTop, false
	for _, r := range b.head {
		b.put(r)
	}
	if columns != nil {
		b.put(*columns)
	}
}
