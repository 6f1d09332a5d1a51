package workup

import (
	"bytes"
	"fmt"
	"html"
	"strconv"
	"strings"

	"dwellwatch/internal/assess"
)

// SVG draws the time line of one filter as a picture of its own: text as text, no outside references, any size. It names
// no patient. The error is fault.Invalid where a.AsOf is not a calendar day.
func SVG(a assess.Assessment, f assess.Filter) ([]byte, error) {
	fig, err := screenFigure(a, f)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	out.WriteString("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")
	writeSVG(&out, fig, true)
	return out.Bytes(), nil
}

// screenFigure lays out the time line for a screen. Its words are whole: a screen has fonts for every script.
func screenFigure(a assess.Assessment, f assess.Filter) (figure, error) {
	day, err := calendarDay(a.AsOf)
	if err != nil {
		return figure{}, err
	}
	p, err := newPress(A4, day)
	if err != nil {
		return figure{}, fmt.Errorf("work-up: %w", err)
	}
	return plot(newChronicle(a, f, whole), screenFrame(), p.width), nil
}

// writeSVG writes a figure. Every line of text has its length set, so that another font than the one measured neither
// runs into its neighbours nor out of the picture. alone adds what a page of its own would give: colours and a ground.
func writeSVG(out *bytes.Buffer, fig figure, alone bool) {
	const margin = 2.0
	n := func(v float64) string {
		return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(v, 'f', 2, 64), "0"), ".")
	}
	fmt.Fprintf(out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="%s %s %s %s" role="img" aria-labelledby="timeline-title timeline-about" class="timeline"`,
		n(-margin), n(-margin), n(fig.w+2*margin), n(fig.h+2*margin))
	if alone {
		fmt.Fprintf(out, ` width="%smm" height="%smm"`, n(1.4*(fig.w+2*margin)), n(1.4*(fig.h+2*margin)))
	}
	fmt.Fprintf(out, " lang=\"en\">\n<title id=\"timeline-title\">%s</title>\n<desc id=\"timeline-about\">%s</desc>\n", html.EscapeString(fig.title), html.EscapeString(fig.about))
	if alone {
		out.WriteString("<style>.timeline{color:#000}.timeline .paper{fill:#fff}</style>\n")
		fmt.Fprintf(out, "<rect class=\"paper\" fill=\"#fff\" x=\"%s\" y=\"%s\" width=\"%s\" height=\"%s\"/>\n", n(-margin), n(-margin), n(fig.w+2*margin), n(fig.h+2*margin))
	}
	out.WriteString("<g stroke-linejoin=\"round\" aria-hidden=\"true\">\n")
	for _, s := range fig.shapes {
		out.WriteString("<path d=\"")
		for i, p := range s.points {
			out.WriteString(map[bool]string{true: "M", false: "L"}[i == 0] + n(p.x) + " " + n(p.y))
		}
		if s.closed {
			out.WriteString("Z")
		}
		out.WriteString("\"")
		switch s.fill {
		case noFill:
			out.WriteString(" fill=\"none\"")
		case ink:
			out.WriteString(" fill=\"currentColor\"")
		case paper:
			out.WriteString(" class=\"paper\" fill=\"#fff\"")
		}
		if s.line > 0 {
			fmt.Fprintf(out, " stroke=\"currentColor\" stroke-width=\"%s\"", n(s.line))
		}
		if on, off := s.dash.lengths(); on > 0 {
			fmt.Fprintf(out, " stroke-dasharray=\"%s %s\"", n(on), n(off))
		}
		out.WriteString("/>\n")
	}
	out.WriteString("</g>\n<g fill=\"currentColor\" font-family=\"'DejaVu Sans Condensed','DejaVu Sans','Noto Sans',Arial,sans-serif\">\n")
	for _, w := range fig.words {
		weight := ""
		if w.bold {
			weight = " font-weight=\"bold\""
		}
		fmt.Fprintf(out, "<text x=\"%s\" y=\"%s\" font-size=\"%s\"%s textLength=\"%s\" lengthAdjust=\"spacingAndGlyphs\">%s</text>\n",
			n(w.x), n(w.y), n(w.size*mmPerPoint), weight, n(w.w), html.EscapeString(w.text))
	}
	out.WriteString("</g>\n</svg>\n")
}
