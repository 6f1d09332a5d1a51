// Package desk is what people do at the worklist: it reads the list and the page of one filter, and carries out what they
// decide or enter. A decision goes through draft.Decide and is saved in one transaction with what follows; whatever else
// people enter becomes FHIR resources of the feed "local", which are read like any other. It must never write to the record
// itself, and never put patient data into an error.
package desk

import (
	"context"
	"fmt"
	"strings"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
)

// PageSize is how many lines one page of the list has.
const PageSize = 50

// Config is what the desk needs.
type Config struct {
	Store *postgres.Store
	Basis assess.Basis
	// Bases gives the FHIR base of each feed's sender, for links; the default feed's is the record.
	Bases map[string]string
	// Paper of the document.
	Paper string
	Now   func() time.Time
}

// Desk is safe for concurrent use.
type Desk struct{ Config }

// Today is the facility's calendar day.
func (d Desk) Today() filter.Day {
	t := d.local()
	return filter.NewDay(t.Year(), t.Month(), t.Day())
}

func (d Desk) local() time.Time { return d.Now().In(d.Basis.Zone) }

// List is one page of the worklist.
type List struct {
	Lines  []postgres.Listed
	Counts postgres.WorkCounts
	Page   int // from 1
	More   bool
}

// List reads one page of the worklist. q.Limit and q.Offset are set here.
func (d Desk) List(ctx context.Context, q postgres.WorkQuery, page int) (List, error) {
	page = max(1, page)
	q.Limit, q.Offset = PageSize+1, (page-1)*PageSize
	out := List{Page: page}
	var err error
	if out.Lines, err = d.Store.Worklist(ctx, q); err != nil {
		return out, err
	}
	if len(out.Lines) > PageSize {
		out.Lines, out.More = out.Lines[:PageSize], true
	}
	out.Counts, err = d.Store.WorkCounts(ctx)
	return out, err
}

// Words takes what somebody typed apart into what is looked for.
func Words(text string) []string {
	words := strings.Fields(strings.ToLower(text))
	return words[:min(len(words), 8)]
}

// Caller is who acts.
type Caller struct {
	Subject string
	entry.Author
	// Clinician says that they may decide.
	Clinician bool
}

// Refused says why something cannot be done, in words for the person.
type Refused struct{ Why []string }

func (r *Refused) Error() string { return "refused at the desk" }

// Unwrap makes a refusal fault.Invalid.
func (r *Refused) Unwrap() error { return fault.Invalid }

func refuse(why ...string) error { return &Refused{why} }

// Moved says that the state has moved on since the form was made, and what changed.
type Moved struct{ Changes []string }

func (m *Moved) Error() string { return "the state has moved on" }

// Unwrap makes it fault.Superseded.
func (m *Moved) Unwrap() error { return fault.Superseded }

// settled waits a moment until an assessment knows a chart version, so that the page that follows shows what was done. It gives
// up without an error.
func (d Desk) settled(ctx context.Context, person string, version int64) {
	ctx, cancel := context.WithTimeout(ctx, 8*time.Second)
	defer cancel()
	tick := time.NewTicker(25 * time.Millisecond)
	defer tick.Stop()
	for {
		if done, err := d.Store.Assessed(ctx, person, version); done || err != nil {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// line reads the line of a page, and whose it is.
func (d Desk) line(ctx context.Context, page string) (postgres.Listed, string, error) {
	l, err := d.Store.Page(ctx, page)
	if err != nil {
		return l, "", err
	}
	person, err := d.Store.PersonOf(ctx, l.Key)
	if err != nil {
		return l, "", fmt.Errorf("whose filter it is: %w", err)
	}
	return l, person, nil
}

// Twice says that a form was sent before and said something else.
type Twice struct{}

func (t *Twice) Error() string { return "a form was sent twice with different content" }

// Unwrap makes it fault.Superseded.
func (t *Twice) Unwrap() error { return fault.Superseded }
