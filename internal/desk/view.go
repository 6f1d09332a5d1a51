package desk

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/workup"
)

// View is the page of one filter.
type View struct {
	Line       postgres.Listed
	Assessment assess.Assessment // with this filter only
	Filter     assess.Filter
	Referral   draft.Referral
	Parts      workup.Parts
	Entries    []Entry // what the statements stand on, in order of their names
	Said       []Said
	Life       []Stage
	Done       []Done
	May        May
	// Stands is a digest of what a form on this page was made from; see Moved.
	Stands string

	person   string
	document []byte
	record   postgres.Record
	asked    postgres.WantedReferral
}

// View reads the page of one filter; fault.NotFound if there is none.
func (d Desk) View(ctx context.Context, page string) (View, error) {
	l, person, err := d.line(ctx, page)
	if err != nil {
		return View{}, err
	}
	v := View{Line: l, person: person}
	said, err := d.Store.Said(ctx, person, maxSaid)
	if err != nil {
		return v, err
	}
	if err := v.answer(said, l.Key); err != nil {
		return v, err
	}
	v.asked, err = d.Store.Wanted(ctx, l.Key)
	if err != nil && !errors.Is(err, fault.NotFound) {
		return v, err
	}
	v.Referral, v.document = v.asked.Referral, v.asked.Document
	if v.Referral.Key == "" {
		v.Referral = draft.Referral{Key: l.Key}
	}
	if v.Parts, err = (workup.Case{Assessment: v.Assessment, Filter: v.Filter, Referral: v.Referral}).Parts(); err != nil {
		return v, err
	}
	if v.record, err = d.Store.Record(ctx, person); err != nil {
		return v, err
	}
	v.Said = saidOf(said, l.Key)
	v.Entries = d.entries(v)
	if v.Life, err = d.life(ctx, l.Key); err != nil {
		return v, err
	}
	if v.Done, err = d.done(ctx, v); err != nil {
		return v, err
	}
	v.May = d.may(v)
	v.Stands = stands(l, v.asked.Version)
	return v, nil
}

// answer takes the newest answer that knows the filter.
func (v *View) answer(said []postgres.Said, key string) error {
	for _, s := range said {
		var a assess.Assessment
		if err := json.Unmarshal(s.Answer, &a); err != nil {
			return fmt.Errorf("read a saved answer: %w", err)
		}
		if at := slices.IndexFunc(a.Filters, func(f assess.Filter) bool { return f.Key == key }); at >= 0 {
			v.Filter = a.Filters[at]
			a.Filters = a.Filters[at : at+1]
			v.Assessment = a
			return nil
		}
	}
	return fmt.Errorf("no saved answer tells of the filter: %w", fault.NotFound)
}

// stands digests what decides whether a form that was made a while ago may still be carried out.
func stands(l postgres.Listed, version int64) string {
	sum := sha256.New()
	for _, part := range []string{l.Key, strconv.FormatBool(l.Listed), l.Verdict, l.Standing, l.Headline, l.TaskStatus, strconv.FormatInt(version, 10)} {
		fmt.Fprintf(sum, "%d|%s", len(part), part)
	}
	return hex.EncodeToString(sum.Sum(nil)[:16])
}

// Document draws the work-up document of a page as PDF.
func (d Desk) Document(ctx context.Context, page string) ([]byte, error) {
	v, err := d.View(ctx, page)
	if err != nil {
		return nil, err
	}
	paper := workup.Paper(d.Paper)
	if paper == "" {
		paper = workup.A4
	}
	return workup.PDFOn(paper, v.Assessment, v.Filter, v.Referral)
}
