package workup

import "codeberg.org/go-pdf/fpdf"

// drawFigure prints a figure with its upper edge at y.
func (p *press) drawFigure(fig *figure, y float64) {
	pdf := p.pdf
	pdf.SetDrawColor(0, 0, 0)
	pdf.SetTextColor(0, 0, 0)
	pdf.SetLineJoinStyle("round")
	for _, s := range fig.shapes {
		how := ""
		switch s.fill {
		case ink:
			pdf.SetFillColor(0, 0, 0)
			how = "F"
		case paper:
			pdf.SetFillColor(255, 255, 255)
			how = "F"
		}
		if s.line > 0 {
			pdf.SetLineWidth(s.line)
			how += "D"
		}
		if on, off := s.dash.lengths(); on > 0 {
			pdf.SetDashPattern([]float64{on, off}, 0)
		}
		points := make([]fpdf.PointType, len(s.points))
		for i, at := range s.points {
			points[i] = fpdf.PointType{X: p.left + at.x, Y: y + at.y}
		}
		if s.closed {
			pdf.Polygon(points, how)
		} else {
			pdf.MoveTo(points[0].X, points[0].Y)
			for _, at := range points[1:] {
				pdf.LineTo(at.X, at.Y)
			}
			pdf.DrawPath("D")
		}
		if s.dash != unbroken {
			pdf.SetDashPattern(nil, 0)
		}
	}
	for _, w := range fig.words {
		p.use(style{size: w.size, bold: w.bold})
		pdf.Text(p.left+w.x, y+w.y, w.text)
	}
}
