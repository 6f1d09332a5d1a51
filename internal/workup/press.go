package workup

import (
	"bytes"
	"cmp"
	"fmt"
	"strings"
	"time"
	"unicode"

	"codeberg.org/go-fonts/dejavu/dejavusanscondensed"
	"codeberg.org/go-fonts/dejavu/dejavusanscondensedbold"
	"codeberg.org/go-pdf/fpdf"

	"dwellwatch/internal/fault"
)

// Paper is a size of paper.
type Paper string

// The sizes that the document can be set for; the zero Paper is A4. Both hold one column of text of the same width.
const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

const (
	width   = 178.0 // of the text, in millimetres
	bodyTop = 11.0
)

// sheet is the page, in millimetres.
type sheet struct{ left, bodyBottom, footTop float64 }

func sheetOf(paper Paper) (sheet, error) {
	switch paper {
	case A4, "":
		return sheet{left: (210 - width) / 2, bodyBottom: 281, footTop: 283}, nil
	case Letter:
		return sheet{left: (215.9 - width) / 2, bodyBottom: 263.4, footTop: 265.4}, nil
	}
	return sheet{}, fmt.Errorf("paper is neither A4 nor Letter: %w", fault.Invalid)
}

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
	sheet
	pdf  *fpdf.Fpdf
	face typeface
	// tight sets lines and sections closer, for a document that needs fewer pages that way.
	tight bool
}

// newPress opens an empty document whose dates are the given day.
func newPress(paper Paper, day time.Time) (*press, error) {
	page, err := sheetOf(paper)
	if err != nil {
		return nil, err
	}
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
	pdf := fpdf.New("P", "mm", cmp.Or(string(paper), string(A4)), "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(day)
	pdf.SetModificationDate(day)
	pdf.SetTitle(title, false)
	pdf.SetAuthor("dwellwatch", false)
	pdf.SetCreator("dwellwatch", false)
	pdf.SetProducer("dwellwatch", false)
	pdf.SetLang("en")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(page.left, bodyTop, page.left)
	pdf.AddUTF8FontFromBytes(family, "", regular)
	pdf.AddUTF8FontFromBytes(family, "B", bold)
	return &press{sheet: page, pdf: pdf, face: typeface{regular: set, bold: boldSet}}, pdf.Error()
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

// width gives the width of a text that another surface than paper shows: a rune that the fonts lack counts as wide as high.
func (p *press) width(size float64, bold bool, text string) float64 {
	lacking := 0
	shown := strings.Map(func(r rune) rune {
		if p.face.regular.has(r) {
			return r
		}
		if !unicode.Is(unicode.Mn, r) && !unicode.Is(unicode.Cf, r) {
			lacking++
		}
		return -1
	}, text)
	return p.measure(style{size: size, bold: bold}, shown) + float64(lacking)*size*mmPerPoint
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
