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
	Others     []postgres.Listed // the patient's other filters
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
	// The record comes first: what is saved on this page's word is saved only where nothing has changed since.
	if v.record, err = d.Store.Record(ctx, person); err != nil {
		return v, err
	}
	if v.Line, err = d.Store.Page(ctx, page); err != nil {
		return v, err
	}
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
	if v.Others, err = d.Store.LinesOf(ctx, person); err != nil {
		return v, err
	}
	v.Others = slices.DeleteFunc(v.Others, func(o postgres.Listed) bool { return o.Key == l.Key })
	v.Said = saidOf(said, l.Key)
	v.Entries = d.entries(v)
	if v.Life, err = d.life(ctx, l.Key); err != nil {
		return v, err
	}
	if v.Done, err = d.done(ctx, v); err != nil {
		return v, err
	}
	v.May = d.may(v)
	v.Stands = v.stands()
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

// stands digests what the page shows of the filter, and what people have entered about the patient: whether a form that was made a while
// ago may still be carried out.
func (v View) stands() string {
	sum := sha256.New()
	add := func(parts ...string) {
		for _, part := range parts {
			fmt.Fprintf(sum, "%d|%s", len(part), part)
		}
	}
	f := v.Filter
	add(Stands(v.Line), f.Model.Name, f.PlannedIntent, f.Indication, f.Anticoagulation.Level, f.Asked, strconv.FormatInt(v.asked.Version, 10))
	for _, e := range f.Events {
		add(e.What, e.Text)
		add(e.Evidence...)
	}
	for _, x := range f.Findings {
		add(x.Rule)
		add(x.Evidence...)
	}
	for _, c := range f.Contradictions {
		add(c.Kind)
	}
	for _, s := range v.record.Resources {
		if s.Feed == postgres.LocalFeed {
			add(s.Resource.Ref(), string(s.Resource.Raw))
		}
	}
	return hex.EncodeToString(sum.Sum(nil)[:16])
}

// Stands is the digest of what the list shows of a filter.
func Stands(l postgres.Listed) string {
	sum := sha256.New()
	for _, part := range []string{l.Key, strconv.FormatBool(l.Listed), l.Verdict, l.Standing, l.Headline, l.Placed.String(), l.Model, l.TaskStatus, l.TaskOwner,
		strconv.FormatInt(l.Version, 10), strconv.Itoa(l.Attempts), l.LastContact.String(), strconv.FormatBool(l.LastReached)} {
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
