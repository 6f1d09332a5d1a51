package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"github.com/riverqueue/river"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
)

type assessor struct {
	river.WorkerDefaults[jobs.AssessPatient]
	c Config
}

// Work assesses one person as known now, on the facility's day, and saves the answer with the referrals that follow. It
// stops early only where this chart version, this day and this basis are already assessed.
func (w *assessor) Work(ctx context.Context, job *river.Job[jobs.AssessPatient]) error {
	rec, err := w.c.Store.Record(ctx, job.Args.Person)
	if err != nil {
		return forget(err)
	}
	asOf := w.c.today()
	if rec.SavedVersion == rec.ChartVersion && rec.SavedBasis == w.c.BasisNumber && rec.SavedAsOf == asOf {
		return nil
	}
	saved, err := settled(
		func(taken []string) (postgres.Saved, error) { return w.assess(ctx, rec, taken, asOf) },
		func(keys []string) ([]string, error) { return w.c.Store.TakenKeys(ctx, rec.Person, keys) })
	if err == nil {
		err = w.c.Store.SaveAssessment(ctx, saved)
	}
	if errors.Is(err, postgres.ErrOvertaken) {
		return river.JobSnooze(0)
	}
	if errors.Is(err, fault.Superseded) {
		return w.superseded(ctx, rec)
	}
	return forget(err)
}

// superseded ends a job whose answer was refused as older. Where the saved answer knows less data than this job, it was
// refused for its basis alone: a process on the newer basis has to do the work, so the job stays.
func (w *assessor) superseded(ctx context.Context, mine postgres.Record) error {
	now, err := w.c.Store.Record(ctx, mine.Person)
	if err != nil {
		return forget(err)
	}
	if now.SavedVersion < mine.ChartVersion {
		return river.JobSnooze(basisWait)
	}
	return nil
}

// settled assesses without the keys that turn out to be another person's. A key that stays among the wanted ones although it is left
// out was the person's own when the record was read, and went to another since, as in a merge: only reading again helps then, and the
// error is postgres.ErrOvertaken.
func settled(assess func(taken []string) (postgres.Saved, error), takenOf func(keys []string) ([]string, error)) (postgres.Saved, error) {
	var taken []string
	for {
		saved, err := assess(taken)
		if err != nil {
			return saved, err
		}
		var wanted []string
		for _, k := range slices.Concat(saved.Keys, saved.Merged) {
			wanted = append(wanted, k.Key)
		}
		others, err := takenOf(wanted)
		if err != nil || len(others) == 0 {
			return saved, err
		}
		if slices.ContainsFunc(others, func(k string) bool { return slices.Contains(taken, k) }) {
			return saved, postgres.ErrOvertaken
		}
		taken = append(taken, others...)
	}
}

func (w *assessor) assess(ctx context.Context, rec postgres.Record, taken []string, asOf filter.Day) (postgres.Saved, error) {
	result := assess.Patient(Input(rec, w.c.Screener, taken), w.c.Basis, asOf)
	noteDeleted(rec, result.Tasks)
	after, changed := draft.Reconcile(rec.Referrals, result.Wants(), result.Tasks, w.c.pace(), asOf)

	saved := postgres.Saved{
		Person: rec.Person, ChartVersion: rec.ChartVersion, Basis: w.c.BasisNumber, AsOf: asOf, DueOn: filter.MaxDay,
		Keys: keys(rec.Keys, result), Merged: result.MergedKeys, Saves: &rec.Saves,
		Doubled: result.Doubled, EvidenceGone: !w.evidence(rec), EraseAfter: w.c.eraseAfter(),
	}
	if due := result.Assessment.DueOn; due != nil {
		day, err := filter.ParseDay(*due)
		if err != nil {
			return saved, fmt.Errorf("day to look again: %w", err)
		}
		saved.DueOn = day
	}
	saved.DueOn = min(saved.DueOn, draft.Wake(after, result.Tasks, w.c.pace(), asOf))
	answer, err := json.Marshal(result.Assessment)
	if err != nil {
		return saved, fmt.Errorf("write the assessment: %w", err)
	}
	saved.Answer = answer
	for _, r := range after {
		s := postgres.SavedReferral{Referral: r, Changed: slices.Contains(changed, r.Key)}
		if s.Changed {
			if s.Document, err = w.document(ctx, result.Assessment, r); err != nil {
				return saved, err
			}
		}
		saved.Referrals = append(saved.Referrals, s)
	}
	for _, f := range result.Assessment.Filters {
		at := slices.IndexFunc(after, func(r draft.Referral) bool { return r.Key == f.Key })
		r := draft.Referral{Key: f.Key}
		if at >= 0 {
			r = after[at]
		}
		saved.Lines = append(saved.Lines, agenda.Of(result.Assessment, f, r, result.Tasks[f.Key], asOf))
	}
	return saved, nil
}

// Input is a stored record as the core reads it, without the keys that belong to somebody else.
func Input(rec postgres.Record, s screen.Screener, taken []string) assess.Record {
	return assess.Record{Person: rec.Person, Entries: Entries(rec.Resources, s), Known: rec.Keys, Merged: rec.Merged, Asked: askedUnder(rec), Asking: askingUnder(rec), Past: past(rec), Taken: taken, Context: rec.Context, Gaps: gaps(rec.Gaps)}
}

// askedUnder lists the keys under which this database has asked.
func askedUnder(rec postgres.Record) []string {
	var out []string
	for _, r := range rec.Referrals {
		if r.Round > 0 {
			out = append(out, r.Key)
		}
	}
	return out
}

// askingUnder lists the keys under which a question stands that people have not been seen to answer.
func askingUnder(rec postgres.Record) []assess.Asking {
	var out []assess.Asking
	for _, r := range rec.Referrals {
		deleted := slices.ContainsFunc(rec.Tasks, func(t postgres.TaskReceipt) bool { return t.Key == r.Key && t.Round == r.Round && t.Deleted })
		if r.Round > 0 && r.Reason == draft.Wanted && r.EndedOn == 0 && !deleted {
			out = append(out, assess.Asking{Key: r.Key, Approved: r.Approved, Until: r.Until})
		}
	}
	return out
}

// past lists our Tasks of rounds before the one that each referral is in. One that people had taken up may stand for the next round
// as well.
func past(rec postgres.Record) []string {
	stands := map[string]bool{}
	for _, t := range rec.Tasks {
		stands[t.ResourceID] = stands[t.ResourceID] || t.Round >= roundOf(rec, t.Key)
	}
	var out []string
	for _, t := range rec.Tasks {
		if !stands[t.ResourceID] {
			out = append(out, "Task/"+t.ResourceID)
		}
	}
	return out
}

// noteDeleted adds the Tasks of the round that stands that the record says are gone, where it shows no other of the key.
func noteDeleted(rec postgres.Record, tasks map[string]draft.Seen) {
	for _, t := range rec.Tasks {
		if _, seen := tasks[t.Key]; t.Deleted && !seen && t.Round == roundOf(rec, t.Key) {
			tasks[t.Key] = draft.Seen{Status: draft.TaskDeleted}
		}
	}
}

func roundOf(rec postgres.Record, key string) int {
	for _, r := range rec.Referrals {
		if r.Key == key {
			return r.Round
		}
	}
	return 0
}

// keys lists the keys as they stand now; a key whose filter is gone keeps its evidence, so that the filter finds it again.
func keys(known []filter.KnownKey, result assess.Result) []filter.KnownKey {
	out := slices.Clone(result.Keys)
	for _, k := range known {
		if _, merged := result.Assessment.Merged[k.Key]; !merged && !slices.ContainsFunc(out, func(o filter.KnownKey) bool { return o.Key == k.Key }) {
			out = append(out, k)
		}
	}
	return out
}

// evidence reports whether any entry still tells of a filter.
func (w *assessor) evidence(rec postgres.Record) bool {
	return slices.ContainsFunc(rec.Resources, func(s postgres.Stored) bool { return w.c.Screener.Item(s.Feed, s.Resource).Evidence })
}

// document gives what the Task and the document are composed from: the answer with this filter only, and what earlier
// revisions said. A filter that is no longer there is told as it was when last asked about.
func (w *assessor) document(ctx context.Context, a assess.Assessment, r draft.Referral) ([]byte, error) {
	before, err := w.c.Store.Wanted(ctx, r.Key)
	if err != nil && !errors.Is(err, fault.NotFound) {
		return nil, fmt.Errorf("read what was asked: %w", err)
	}
	// Into a value of its own: decoding into the new document would write over the filters of the answer, which it shares.
	var asked compose.Document
	unread := json.Unmarshal(before.Document, &asked)
	if at := slices.IndexFunc(a.Filters, func(f assess.Filter) bool { return f.Key == r.Key }); at >= 0 {
		d := compose.Document{Assessment: a, Referral: r}
		d.Assessment.Filters = a.Filters[at : at+1]
		if unread == nil {
			d.Earlier = asked.Followed(before.Holds)
		}
		return json.Marshal(d)
	}
	if at := slices.IndexFunc(a.Filters, func(f assess.Filter) bool { return f.Key == a.Merged[r.Key] }); at >= 0 && unread != nil {
		// Asked by a database that was lost, under a key that is another's filter now: told as that filter.
		d := compose.Document{Assessment: a, Referral: r}
		d.Assessment.Filters = a.Filters[at : at+1]
		return json.Marshal(d)
	}
	if unread != nil {
		return nil, fmt.Errorf("read what was asked: %w", unread)
	}
	asked.Earlier, asked.Referral = asked.Followed(before.Holds), r
	return json.Marshal(asked)
}

// gaps words what a pull could not read.
func gaps(list []postgres.Gap) []string {
	words := map[string]string{
		postgres.GapUnsearchable: "the record does not search this type by patient",
		postgres.GapForbidden:    "this service is not allowed to read it",
		postgres.GapRefused:      "the record refused the search",
		postgres.GapCut:          "there are more entries than were read",
		postgres.GapUnreadable:   "an entry could not be read",
	}
	out := make([]string, 0, len(list))
	for _, g := range list {
		out = append(out, g.Type+": "+words[g.Why])
	}
	return out
}
