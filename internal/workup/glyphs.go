package workup

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

const (
	// unprintable stands in a text where the fonts have no glyph.
	unprintable = "[not printable here: see record]"
	// unprintableName stands for the whole name: a name with a hole in it would be a wrong name.
	unprintableName = "Name: in the record (its script is not printed here)"
	// otherName says that what stands before it is not the name that the record puts first.
	otherName = "another name on record; the script of the first is not printed here"
)

// glyphSet is the set of the runes of the Basic Multilingual Plane that a font can draw.
type glyphSet [1 << 16 / 64]uint64

func (g *glyphSet) has(r rune) bool { return r >= 0 && r < 1<<16 && g[r/64]&(1<<(r%64)) != 0 }

// readGlyphs reads the character map of a TrueType font: subtable format 4 of platform 3, encoding 1.
// Layout as in the OpenType specification, "cmap - Character to Glyph Index Mapping Table"
// (https://learn.microsoft.com/typography/opentype/spec/cmap).
func readGlyphs(ttf []byte) (*glyphSet, error) {
	sub, err := characterMap(ttf)
	if err != nil {
		return nil, err
	}
	u16 := func(at int) (int, error) {
		if at+2 > len(sub) {
			return 0, errors.New("font: the character map ends too early")
		}
		return int(binary.BigEndian.Uint16(sub[at:])), nil
	}
	double, err := u16(6)
	if err != nil {
		return nil, err
	}
	var set glyphSet
	for i := 0; i < double; i += 2 {
		// Four arrays follow each other: end codes, a pad of two bytes, start codes, deltas, offsets.
		last, err1 := u16(14 + i)
		first, err2 := u16(16 + double + i)
		delta, err3 := u16(16 + 2*double + i)
		offset, err4 := u16(16 + 3*double + i)
		if err := errors.Join(err1, err2, err3, err4); err != nil {
			return nil, err
		}
		for code := first; code <= last && code < 0xFFFF; code++ {
			glyph := code
			if offset != 0 {
				if glyph, err = u16(16 + 3*double + i + offset + 2*(code-first)); err != nil {
					return nil, err
				}
				if glyph == 0 {
					continue
				}
			}
			if (glyph+delta)&0xFFFF != 0 {
				set[code/64] |= 1 << (code % 64)
			}
		}
	}
	return &set, nil
}

// characterMap finds the Windows Unicode subtable of a TrueType font.
func characterMap(ttf []byte) ([]byte, error) {
	table, err := fontTable(ttf, "cmap")
	if err != nil {
		return nil, err
	}
	if len(table) < 4 {
		return nil, errors.New("font: the character map is empty")
	}
	for i := range int(binary.BigEndian.Uint16(table[2:])) {
		at := 4 + 8*i
		if at+8 > len(table) {
			break
		}
		start := int(binary.BigEndian.Uint32(table[at+4:]))
		windowsUnicode := binary.BigEndian.Uint32(table[at:]) == 3<<16|1
		if windowsUnicode && start+2 <= len(table) && binary.BigEndian.Uint16(table[start:]) == 4 {
			return table[start:], nil
		}
	}
	return nil, errors.New("font: no character map of format 4")
}

// fontTable finds a table of a TrueType font by its four-letter name.
func fontTable(ttf []byte, name string) ([]byte, error) {
	for at := 12; at+16 <= len(ttf) && at < 12+16*int(binary.BigEndian.Uint16(ttf[4:])); at += 16 {
		if string(ttf[at:at+4]) != name {
			continue
		}
		start := int(binary.BigEndian.Uint32(ttf[at+8:]))
		size := int(binary.BigEndian.Uint32(ttf[at+12:]))
		if start+size > len(ttf) {
			break
		}
		return ttf[start : start+size], nil
	}
	return nil, fmt.Errorf("font: no table %q", name)
}

// typeface says which runes the document can show.
type typeface struct{ regular, bold *glyphSet }

// shows reports whether a rune can be printed rightly: both fonts have it, and its script is one that reads from left
// to right, one letter after the other. Arabic, Hebrew or Lao letters would come out in the wrong order or unjoined.
func (t typeface) shows(r rune) bool {
	if !t.regular.has(r) || !t.bold.has(r) || unicode.Is(unicode.Co, r) {
		return false
	}
	if !unicode.IsLetter(r) && !unicode.IsMark(r) {
		return true
	}
	return unicode.In(r, unicode.Latin, unicode.Greek, unicode.Cyrillic, unicode.Armenian, unicode.Georgian,
		unicode.Common, unicode.Inherited)
}

// clean makes a text printable: composed letters, single spaces, no invisible runes, and a mark for each stretch of
// runes that the fonts cannot show.
func (t typeface) clean(text string) string {
	var out strings.Builder
	marked := false // the last thing written that is not a space is the mark
	for _, r := range compose(text) {
		switch {
		case r == ' ':
			out.WriteByte(' ')
		case t.shows(r):
			out.WriteRune(r)
			marked = false
		case !marked:
			out.WriteString(" " + unprintable + " ")
			marked = true
		}
	}
	return strings.Join(strings.Fields(out.String()), " ")
}

// name gives a name that can be printed whole, or else the words that send the reader to the record.
func (t typeface) name(text string) string {
	whole := strings.Join(strings.Fields(compose(text)), " ")
	for _, r := range whole {
		if r != ' ' && !t.shows(r) {
			return unprintableName
		}
	}
	return whole
}

// names gives the name for the page; where it cannot be printed whole, the first other name that can stands behind the words that say so.
func (t typeface) names(name string, others []string) string {
	text := t.name(name)
	if text != unprintableName {
		return text
	}
	for _, other := range others {
		if o := t.name(other); o != unprintableName && o != "" {
			return o + " – " + otherName
		}
	}
	return text
}

// compose puts letters and their marks together, makes every space and control rune a plain space and drops the
// invisible format runes. Bytes that are not UTF-8 become U+FFFD.
func compose(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r), unicode.IsControl(r):
			return ' '
		case unicode.Is(unicode.Cf, r), unicode.Is(unicode.Variation_Selector, r):
			return -1
		}
		return r
	}, norm.NFC.String(strings.ToValidUTF8(text, "\uFFFD")))
}

// whole makes a text ready for a screen, which has fonts for every script: single spaces, no control runes and no format
// runes but the two that joined scripts need. What XML cannot hold becomes U+FFFD.
func whole(text string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case r == '\u200c' || r == '\u200d':
			return r
		case unicode.IsSpace(r), unicode.IsControl(r):
			return ' '
		case unicode.Is(unicode.Cf, r):
			return -1
		case r == '\ufffe' || r == '\uffff':
			return '\ufffd'
		}
		return r
	}, norm.NFC.String(strings.ToValidUTF8(text, "\uFFFD")))), " ")
}
