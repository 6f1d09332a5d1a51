// Package workup draws the work-up document: what is known of one vena cava filter, what is asked of whom and by when,
// on A4 paper and for a reader who has ten seconds.
//
// It is a rim package only because it draws. It must never read a clock, a file or the network, and never decide
// anything: every statement on the page comes from the assessment and the referral it is given. Equal input gives equal
// bytes. Nothing it is given is dropped: what does not fit on a page goes to the next one, and what the fonts cannot
// print is marked where it stood.
package workup

import (
	"bytes"
	"fmt"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

// title is the file's own title. It names nobody, because file managers and logs show titles.
const title = "Vena cava filter work-up (draft)"

// PDF draws the document for one filter of an assessment and its referral. It does not look into a.Filters.
// The error is fault.Invalid where a.AsOf is not a calendar day, because the file's dates are taken from it.
func PDF(a assess.Assessment, f assess.Filter, r draft.Referral) ([]byte, error) {
	asOf, err := filter.ParseDay(a.AsOf)
	if err != nil {
		return nil, fmt.Errorf("work-up: asOf is not a calendar day: %w", fault.Invalid)
	}
	year, month, day := asOf.Date()
	p, err := newPress(time.Date(year, month, day, 0, 0, 0, 0, time.UTC))
	if err != nil {
		return nil, fmt.Errorf("work-up: %w", err)
	}
	v := newView(a, f, r, p.face)
	pages := layout(p, v)
	for i, page := range pages {
		p.pdf.AddPage()
		for _, placed := range page {
			p.draw(placed.row, placed.y)
		}
		p.draw(pageNumber(p, i+1, len(pages)), footTop)
	}
	var out bytes.Buffer
	if err := p.pdf.Output(&out); err != nil {
		return nil, fmt.Errorf("work-up: cannot write the document: %w", err)
	}
	return out.Bytes(), nil
}

// layout sets the document with easy line distances, or with tight ones where that saves a page.
func layout(p *press, v view) [][]placed {
	easy := paginate(body(p, v), runningHead(p, v), foot(p, v))
	if len(easy) == 1 {
		return easy
	}
	p.tight = true
	if tight := paginate(body(p, v), runningHead(p, v), foot(p, v)); len(tight) < len(easy) {
		return tight
	}
	p.tight = false
	return easy
}
