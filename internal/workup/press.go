package workup

import (
	"bytes"
	"strings"
	"time"

	"codeberg.org/go-fonts/dejavu/dejavusanscondensed"
	"codeberg.org/go-fonts/dejavu/dejavusanscondensedbold"
	"codeberg.org/go-pdf/fpdf"
)

// The page, in millimetres: A4 with one column of text.
const (
	pageWidth  = 210.0
	left       = 16.0
	width      = pageWidth - 2*left
	bodyTop    = 11.0
	bodyBottom = 281.0
	footTop    = 283.0
)

const (
	family     = "DejaVu"
	mmPerPoint = 25.4 / 72
	// Line distance over type size. Letters and their marks of this face need 1.17.
	easyLines  = 1.32
	tightLines = 1.19
)

// style is how a line of text looks.
type style struct {
	size  float64 // points
	line  float64 // points: the size whose line distance is used, 0 for the style's own
	bold  bool
	tight bool // lines stand closer
	grey  int  // 0 is black, 255 is white
	tag   bool // white on a black plate
}

// leading is the height of a line in millimetres.
func (s style) leading() float64 {
	ratio := easyLines
	if s.tight {
		ratio = tightLines
	}
	h := max(s.size, s.line) * mmPerPoint * ratio
	if s.tag {
		h += 1.6
	}
	return h
}

// press is the printing surface: the file being made and the measure of its type.
type press struct {
	pdf  *fpdf.Fpdf
	face typeface
	// tight sets lines and sections closer, for a document that needs fewer pages that way.
	tight bool
}

// newPress opens an empty A4 document whose dates are the given day.
func newPress(day time.Time) (*press, error) {
	// The library may write into the font bytes it is given, and these are shared by the whole program.
	regular, bold := bytes.Clone(dejavusanscondensed.TTF), bytes.Clone(dejavusanscondensedbold.TTF)
	set, err := readGlyphs(regular)
	if err != nil {
		return nil, err
	}
	boldSet, err := readGlyphs(bold)
	if err != nil {
		return nil, err
	}
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(day)
	pdf.SetModificationDate(day)
	pdf.SetTitle(title, false)
	pdf.SetAuthor("dwellwatch", false)
	pdf.SetCreator("dwellwatch", false)
	pdf.SetProducer("dwellwatch", false)
	pdf.SetLang("en")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(left, bodyTop, left)
	pdf.AddUTF8FontFromBytes(family, "", regular)
	pdf.AddUTF8FontFromBytes(family, "B", bold)
	return &press{pdf: pdf, face: typeface{regular: set, bold: boldSet}}, pdf.Error()
}

func (p *press) use(s style) {
	weight := ""
	if s.bold {
		weight = "B"
	}
	p.pdf.SetFont(family, weight, s.size)
}

// measure gives the width of a text in millimetres.
func (p *press) measure(s style, text string) float64 {
	p.use(s)
	return p.pdf.GetStringWidth(text)
}

// set breaks a text into lines no wider than w. A word that is wider than a line is broken after a slash, hyphen or dot
// where it has one, else between two letters; no letter is added or lost.
func (p *press) set(s style, text string, w float64) []line {
	s.tight = p.tight
	if s.tag {
		w -= 2 * tagPad
	}
	var lines []line
	current := ""
	for _, word := range strings.Fields(p.face.clean(text)) {
		joined := strings.TrimSpace(current + " " + word)
		if p.measure(s, joined) <= w {
			current = joined
			continue
		}
		if current != "" {
			lines = append(lines, line{s, current})
		}
		for p.measure(s, word) > w {
			cut := p.breakAt(s, word, w)
			lines = append(lines, line{s, word[:cut]})
			word = word[cut:]
		}
		current = word
	}
	if current != "" {
		lines = append(lines, line{s, current})
	}
	return lines
}

// breakAt gives the byte at which a word too wide for a line is broken. It is never 0.
func (p *press) breakAt(s style, word string, w float64) int {
	hard, soft := 0, 0
	for i, r := range word {
		end := i + len(string(r))
		if hard > 0 && p.measure(s, word[:end]) > w {
			break
		}
		hard = end
		if strings.ContainsRune("/-.", r) {
			soft = end
		}
	}
	if soft > hard/2 {
		return soft
	}
	return hard
}

// abbreviate shortens a text to n lines and shows that it did so.
func (p *press) abbreviate(s style, text string, w float64, n int) []line {
	lines := p.set(s, text, w)
	if len(lines) <= n {
		return lines
	}
	last := []rune(lines[n-1].text)
	for len(last) > 0 && p.measure(s, string(last)+"…") > w {
		last = last[:len(last)-1]
	}
	lines[n-1].text = string(last) + "…"
	return lines[:n]
}
