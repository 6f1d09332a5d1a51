// Package workup draws the work-up document: what is known of one vena cava filter, what is asked of whom and by when, for a
// reader who has ten seconds. One view of the case is set as PDF and as HTML page, and its time line as SVG.
//
// It is a rim package only because it draws. It must never read a clock, a file or the network, and never decide
// anything: every statement on the page comes from the assessment and the referral it is given. Equal input gives equal
// bytes. Nothing it is given is dropped: what does not fit on a page goes to the next one, and what the fonts cannot
// print is marked where it stood.
package workup

import (
	"bytes"
	"fmt"
	"slices"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

// title is the file's own title. It names nobody, because file managers and logs show titles.
const title = "Vena cava filter work-up (draft)"

// Case is what a document is about: one filter of an assessment, its referral, and the version that it takes the place of.
// Assessment.Filters is not looked at.
type Case struct {
	Assessment assess.Assessment
	Filter     assess.Filter
	Referral   draft.Referral
	// Since is nil in a first version; otherwise the document says on top what changed since the last.
	Since *Since
}

// PDF draws the first version of the document, on A4.
// The error is fault.Invalid where a.AsOf is not a calendar day, because the file's dates are taken from it.
func PDF(a assess.Assessment, f assess.Filter, r draft.Referral) ([]byte, error) {
	return PDFOn(A4, a, f, r)
}

// PDFOn draws the first version on a size of paper; the error is fault.Invalid for a size that is neither A4 nor Letter.
func PDFOn(paper Paper, a assess.Assessment, f assess.Filter, r draft.Referral) ([]byte, error) {
	return Case{Assessment: a, Filter: f, Referral: r}.PDF(paper)
}

// PDF draws any version of the document, with the errors of PDFOn.
func (c Case) PDF(paper Paper) ([]byte, error) {
	day, err := calendarDay(c.Assessment.AsOf)
	if err != nil {
		return nil, err
	}
	p, err := newPress(paper, day)
	if err != nil {
		return nil, fmt.Errorf("work-up: %w", err)
	}
	pages := layout(p, newView(c, p.face.names(c.Assessment.Person.Name, c.Assessment.Person.OtherNames)), newChronicle(c.Assessment, c.Filter, p.face.clean))
	for i, page := range pages {
		p.pdf.AddPage()
		for _, placed := range page {
			p.draw(placed.row, placed.y)
		}
		p.draw(pageNumber(p, i+1, len(pages)), p.footTop)
	}
	var out bytes.Buffer
	if err := p.pdf.Output(&out); err != nil {
		return nil, fmt.Errorf("work-up: cannot write the document: %w", err)
	}
	return out.Bytes(), nil
}

// calendarDay reads the day of the assessment.
func calendarDay(asOf string) (time.Time, error) {
	d, err := filter.ParseDay(asOf)
	if err != nil {
		return time.Time{}, fmt.Errorf("work-up: asOf is not a calendar day: %w", fault.Invalid)
	}
	year, month, day := d.Date()
	return time.Date(year, month, day, 0, 0, 0, 0, time.UTC), nil
}

// layout sets the document with easy line distances, or with tight ones where that saves a page or puts the time line on the first.
func layout(p *press, v view, c chronicle) [][]placed {
	set := func() [][]placed { return p.paginate(body(p, v, c), runningHead(p, v), foot(p, v)) }
	easy := set()
	p.tight = true
	if tight := set(); len(tight) < len(easy) || len(tight) == len(easy) && drawnFirst(tight) && !drawnFirst(easy) {
		return tight
	}
	p.tight = false
	return easy
}

// drawnFirst reports whether the time line stands on the first page.
func drawnFirst(pages [][]placed) bool {
	return slices.ContainsFunc(pages[0], func(p placed) bool { return p.row.figure != nil })
}
