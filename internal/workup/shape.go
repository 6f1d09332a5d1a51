package workup

import "math"

// point is a place in a drawing, in millimetres from its upper left corner.
type point struct{ x, y float64 }

// rect is an upright box in a drawing.
type rect struct{ x, y, w, h float64 }

func (r rect) corners() []point {
	return []point{{r.x, r.y}, {r.x + r.w, r.y}, {r.x + r.w, r.y + r.h}, {r.x, r.y + r.h}}
}

// fill is how an area is filled. Nothing rests on colour: there is ink and paper.
type fill int

const (
	noFill fill = iota
	ink
	paper
)

// shape is a line or an area.
type shape struct {
	points []point
	closed bool
	fill   fill
	line   float64 // width, 0 is none
	dash   dash
}

// dash is how a line is broken.
type dash int

const (
	unbroken dash = iota
	dashed
	dotted
)

// lengths gives the length of a stroke and of the space after it.
func (d dash) lengths() (on, off float64) {
	switch d {
	case dashed:
		return 1, 0.7
	case dotted:
		return 0.25, 1.25
	}
	return 0, 0
}

// word is one line of text; y is its base line.
type word struct {
	x, y, w float64
	size    float64 // points
	bold    bool
	text    string
}

// texture tells bars apart in black and white.
type texture int

const (
	solidTexture texture = iota
	crossTexture         // both diagonals
	slantTexture         // one diagonal
	levelTexture         // level lines
	emptyTexture         // outline only
)

// levelTextureOf gives the texture of a level of anticoagulation: the denser, the more is prescribed.
func levelTextureOf(level string) texture {
	switch level {
	case "therapeutic":
		return crossTexture
	case "reduced":
		return slantTexture
	case "prophylactic":
		return levelTexture
	}
	return emptyTexture
}

const (
	hairline = 0.15
	fineLine = 0.25
	firmLine = 0.45
)

// filled draws a box with a texture inside.
func filled(r rect, t texture) []shape {
	if t == solidTexture {
		return []shape{{points: r.corners(), closed: true, fill: ink}}
	}
	out := []shape{{points: r.corners(), closed: true, fill: paper, line: fineLine}}
	const step = 1.1
	if t == levelTexture {
		for y := r.y + step/2; y < r.y+r.h; y += step {
			out = append(out, shape{points: []point{{r.x, y}, {r.x + r.w, y}}, line: fineLine})
		}
	}
	if t == slantTexture || t == crossTexture {
		out = append(out, slants(r, step*math.Sqrt2, true)...)
	}
	if t == crossTexture {
		out = append(out, slants(r, step*math.Sqrt2, false)...)
	}
	return out
}

// slants draws diagonals through a box, rising to the right or falling.
func slants(r rect, step float64, rising bool) []shape {
	var out []shape
	for c := step / 2; c < r.w+r.h; c += step {
		// u + v = c, with u along the box and v down it, clipped to the box.
		u0, u1 := max(0, c-r.h), min(r.w, c)
		a, b := point{r.x + u0, r.y + c - u0}, point{r.x + u1, r.y + c - u1}
		if !rising {
			a, b = point{r.x + r.w - u0, a.y}, point{r.x + r.w - u1, b.y}
		}
		out = append(out, shape{points: []point{a, b}, line: hairline})
	}
	return out
}

// torn is an edge like torn paper, from x0 to x1.
func torn(x0, x1, y float64) []point {
	const tooth, depth = 2.0, 0.8
	n := max(1, int(math.Round((x1-x0)/tooth)))
	points := make([]point, 0, n+1)
	for i := range n + 1 {
		points = append(points, point{x0 + (x1-x0)*float64(i)/float64(n), y + depth*float64(i%2*2-1)/2})
	}
	return points
}

func round(centre point, radius float64) []point {
	const corners = 20
	points := make([]point, corners)
	for i := range points {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		points[i] = point{centre.x + radius*cos, centre.y + radius*sin}
	}
	return points
}

// signShapes draws the sign of an entry around a centre. No two signs have one outline and filling.
func signShapes(s sign, c point, t texture) []shape {
	const r = 1.25
	at := func(pairs ...float64) []point {
		var list []point
		for i := 0; i < len(pairs); i += 2 {
			list = append(list, point{c.x + r*pairs[i], c.y + r*pairs[i+1]})
		}
		return list
	}
	area := func(f fill, points []point) shape {
		return shape{points: points, closed: true, fill: f, line: fineLine}
	}
	stroke := func(points []point) shape { return shape{points: points, line: firmLine} }
	down, up := at(-1, -0.8, 1, -0.8, 0, 1), at(-1, 0.8, 1, 0.8, 0, -1)
	diamond := at(0, -1, 1, 0, 0, 1, -1, 0)
	switch s {
	case signPlacement:
		return []shape{area(ink, down)}
	case signRemoval:
		return []shape{area(paper, up)}
	case signPartial:
		return []shape{area(paper, up), area(ink, at(-1, 0.8, 0, 0.8, 0, -1))}
	case signAttempt:
		return []shape{stroke(at(-0.85, -0.85, 0.85, 0.85)), stroke(at(-0.85, 0.85, 0.85, -0.85))}
	case signComplication:
		return []shape{area(ink, at(0, -1.1, 0.3, -0.3, 1.1, 0, 0.3, 0.3, 0, 1.1, -0.3, 0.3, -1.1, 0, -0.3, -0.3))}
	case signAsOf:
		return []shape{area(ink, at(-1, -0.35, 1, -0.35, 1, 0.35, -1, 0.35))}
	case signRepositioning:
		return []shape{area(ink, diamond)}
	case signWindow, signCourse:
		return filled(rect{c.x - r, c.y - r*0.9, 2 * r, 1.8 * r}, t)
	case signDevice:
		return []shape{area(paper, at(-0.8, -0.8, 0.8, -0.8, 0.8, 0.8, -0.8, 0.8))}
	case signSighting:
		return []shape{area(paper, round(c, r*0.95)), area(ink, round(c, r*0.35))}
	case signClaim:
		return []shape{area(paper, diamond)}
	case signRemovalClaim:
		return []shape{area(paper, diamond), {points: at(-1, 0, 1, 0), line: fineLine}}
	case signHint:
		return []shape{area(paper, round(c, r*0.85))}
	case signClot:
		return []shape{area(ink, round(point{c.x - 0.4*r, c.y}, r*0.6)), area(ink, round(point{c.x + 0.5*r, c.y}, r*0.45))}
	case signAgainst:
		return []shape{area(paper, round(c, r)), {points: at(-0.65, -0.65, 0.65, 0.65), line: firmLine}}
	case signImaging:
		return []shape{area(paper, at(-1, -0.7, 1, -0.7, 1, 0.7, -1, 0.7)), area(ink, round(c, r*0.4))}
	}
	return []shape{area(ink, round(c, r*0.7))}
}
