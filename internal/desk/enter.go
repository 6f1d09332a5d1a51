package desk

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
)

// work is one form in hand.
type work struct {
	d    Desk
	form Form
	view View
	// patient is whose the filter is, as evidence names them.
	patient string
}

// tries bounds how often a form is looked at anew because something came in meanwhile that does not concern it.
const tries = 8

// with carries out a form: once, and only on what still stands as on the page that it was on. What comes in between the look and the save
// makes it look again.
func (d Desk) with(ctx context.Context, f Form, do func(work) error) error {
	if f.Why = strings.TrimSpace(f.Why); !keepable(f.Why) {
		return refuse("The text holds characters that cannot be kept, such as control characters. Type it without them.")
	}
	var moved []string
	for range tries {
		v, err := d.View(ctx, f.Page)
		if err != nil {
			return err
		}
		if at := slices.IndexFunc(v.Done, func(x Done) bool { return x.Token == f.Token }); at >= 0 {
			if v.Done[at].said != f.Said {
				return &Twice{}
			}
			return nil
		}
		if err := d.unmoved(v, f); err != nil {
			return err
		}
		feed, patient, err := d.Store.Home(ctx, v.person, v.Line.Key)
		if err != nil {
			return err
		}
		err = do(work{d, f, v, d.prefix(feed) + "Patient/" + patient})
		switch {
		case errors.Is(err, postgres.ErrDone):
			return nil
		case errors.Is(err, postgres.ErrOther):
			return &Twice{}
		case !errors.Is(err, postgres.ErrMoved):
			return err
		}
		moved = d.moved(v)
	}
	return &Moved{moved}
}

// keepable reports whether a text can be a string of FHIR: UTF-8 whose only characters below the space are tabs and ends of lines.
// http://hl7.org/fhir/R4/datatypes.html#string
func keepable(text string) bool {
	return utf8.ValidString(text) && !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' && !strings.ContainsRune("\t\r\n", r) })
}

// open refuses what cannot be entered about a filter that is closed or not listed.
func (w work) open() error {
	switch {
	case !w.view.Line.Listed:
		return refuse("The filter is not on the worklist any more; there is nothing to enter.")
	case !w.view.May.Enter:
		return refuse("The filter is closed: " + w.view.Filter.Headline)
	}
	return nil
}

// head is what each entry of the form has.
func (w work) head(n int) entry.Head {
	return entry.Head{ID: postgres.EntryID(w.form.Token, n), About: entry.About{Patient: w.patient, Focus: w.view.Filter.Focus},
		By: w.form.By.Author, At: w.d.local(), Why: w.form.Why}
}

// correction is the head of a correction of entries.
func (w work) correction(revises ...string) entry.Correction {
	seen := map[string]time.Time{}
	for _, s := range w.view.record.Resources {
		if ref := w.d.nameOf(s); slices.Contains(revises, ref) && !s.Resource.LastUpdated.IsZero() {
			seen[ref] = s.Resource.LastUpdated
		}
	}
	return entry.Correction{Head: w.head(0), Revises: revises, Seen: seen, ProvenanceID: postgres.EntryID(w.form.Token, 1)}
}

// keep saves what a form makes and waits a moment for the assessment that knows it.
func (w work) keep(ctx context.Context, kind string, entries []fhir.Resource, err error) error {
	if told := (*Refused)(nil); errors.As(err, &told) {
		return err
	}
	if errors.Is(err, fault.Invalid) {
		return refuse("Something is missing in the form, or does not fit the entry it is about.")
	}
	if err != nil {
		return err
	}
	act := postgres.Act{Token: w.form.Token, Key: w.view.Line.Key, At: w.d.Now(), Kind: kind, BySubject: w.form.By.Subject, ByName: w.form.By.Name, Why: w.form.Why,
		Until: filter.MaxDay, Entry: entries[0].Ref(), Form: w.form.Said}
	version, err := w.d.Store.Enter(ctx, w.view.person, w.view.seen(), act, entries)
	if err == nil {
		w.d.settled(ctx, w.view.person, version)
	}
	return err
}

func one(r fhir.Resource, err error) ([]fhir.Resource, error) { return []fhir.Resource{r}, err }

// Contact logs an attempt to reach the patient.
func (d Desk) Contact(ctx context.Context, f Form, how string, reached bool) error {
	f.call = true
	return d.with(ctx, f, func(w work) error { return w.contact(ctx, how, reached) })
}

func (w work) contact(ctx context.Context, how string, reached bool) error {
	if err := w.open(); err != nil {
		return err
	}
	if !slices.Contains(entry.Hows(), how) {
		return refuse("Say how: " + strings.Join(entry.Hows(), ", ") + ".")
	}
	list, err := one(entry.Contact{Head: w.head(0), How: how, Reached: reached}.Resource())
	return w.keep(ctx, "contact", list, err)
}

// Outcome records what became of a retrieval. on is YYYY, YYYY-MM or YYYY-MM-DD.
func (d Desk) Outcome(ctx context.Context, f Form, what, on string) error {
	return d.with(ctx, f, func(w work) error { return w.outcome(ctx, what, on) })
}

func (w work) outcome(ctx context.Context, what, on string) error {
	if err := w.open(); err != nil {
		return err
	}
	if why := w.afterPlacement(on); why != "" {
		return refuse(why)
	}
	if what == entry.NotAttempted && w.form.Why == "" {
		return refuse("Say why the retrieval was not attempted.")
	}
	list, err := one(entry.Outcome{Head: w.head(0), Of: w.itself(), What: what, On: on}.Resource())
	return w.keep(ctx, "outcome", list, err)
}

// Reassess records a clinician's word on whether the filter is still needed.
func (d Desk) Reassess(ctx context.Context, f Form, finding, until string) error {
	return d.with(ctx, f, func(w work) error { return w.reassess(ctx, finding, until) })
}

func (w work) reassess(ctx context.Context, finding, until string) error {
	if err := w.open(); err != nil {
		return err
	}
	if w.form.Why == "" {
		return refuse("Give the reason.")
	}
	if finding == chart.CodeStillNeeded {
		day, err := filter.ParseDay(until)
		if today := w.d.Today(); err != nil || day <= today || day > today.Add(w.view.May.LongestDays) {
			return refuse("Give a day to look again, within the days that are allowed.")
		}
	} else {
		until = ""
	}
	list, err := one(entry.Reassessment{Head: w.head(0), Finding: finding, Until: until}.Resource())
	return w.keep(ctx, "reassessment", list, err)
}

// DealtWith says that a complication was dealt with on a day.
func (d Desk) DealtWith(ctx context.Context, f Form, ref, on string) error {
	return d.with(ctx, f, func(w work) error { return w.dealtWith(ctx, ref, on) })
}

func (w work) dealtWith(ctx context.Context, ref, on string) error {
	if err := w.open(); err != nil {
		return err
	}
	if !slices.ContainsFunc(w.view.May.Complications, func(c Choice) bool { return c.Ref == ref }) {
		return refuse("Choose the complication.")
	}
	if why := w.afterPlacement(on); why != "" {
		return refuse(why)
	}
	if w.form.Why == "" {
		return refuse("Say what was done.")
	}
	original, _ := w.d.original(w.view, ref)
	list, err := w.correction(ref).DealtWith(original, on)
	return w.keep(ctx, "complication", list, err)
}

// TakeBack says that an entry made here was an error.
func (d Desk) TakeBack(ctx context.Context, f Form, token string) error {
	return d.with(ctx, f, func(w work) error { return w.takeBack(ctx, token) })
}

func (w work) takeBack(ctx context.Context, token string) error {
	at := slices.IndexFunc(w.view.Done, func(x Done) bool { return x.Token == token && x.Entry != "" && x.Kind != "take-back" })
	if at < 0 {
		return refuse("There is no such entry.")
	}
	if w.view.Done[at].TakenBack {
		return refuse("It was taken back before.")
	}
	if w.form.Why == "" {
		return refuse("Give the reason.")
	}
	h := w.head(0)
	list, err := one(entry.TakenBack(h, w.view.local(w.view.Done[at].Entry)))
	return w.keep(ctx, "take-back", list, err)
}
