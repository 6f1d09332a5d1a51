// Package assess is the whole pure path as one function: a patient's resources in, the assessment out. It serves the
// queue, the API, the command line and replay alike. It must never do I/O or read a clock; asOf is an argument.
package assess

import (
	"bytes"
	"cmp"
	"crypto/sha1"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"

	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// Basis is what an assessment rests on besides the record: thresholds, device models, value sets and the facility's zone.
type Basis struct {
	Policy policy.Policy
	Models catalogue.Catalogue
	Sets   chart.Sets
	Zone   *time.Location
	// Book is the rules, made once for many patients. The zero Book is made anew for each.
	Book rules.Book
}

// Digest writes the basis as one text that changes exactly when an answer can.
func (b Basis) Digest() string {
	return strings.Join([]string{b.Policy.Digest(), b.Models.Digest(), b.Sets.Digest(), b.Zone.String()}, "\n--\n")
}

// How the context of the record came about; the assessment says so.
const (
	ContextPulled  = "pulled"     // read from the hospital's record
	ContextPending = "pending"    // not read yet: no Task is made
	ContextFeeds   = "feeds-only" // no record is configured: what the feeds bring counts
	ContextInput   = "input"      // the resources given are all there is
)

// Record is one patient's record as it is known.
type Record struct {
	// Person is the stable name that keys are minted from; "" takes the patient's reference.
	Person  string
	Entries []chart.Entry
	Known   []filter.KnownKey // in order of birth
	Merged  []filter.KnownKey // keys that were known and merged into another
	Asked   []string          // keys under which a referral was made
	Asking  []Asking          // those of them that stand asked and were not answered, as far as the referrals tell
	// Past names our Tasks, as Type/id, of rounds before the newest: they say nothing of the one that stands.
	Past []string
	// Taken are keys that belong to another person: a merge that was taken back leaves our Tasks in both charts.
	Taken   []string
	Context string
	// Gaps are resource types of the context that could not be read, or not wholly, as "Type: why".
	Gaps []string
}

// Result is an assessment with what the referral's life needs of it.
type Result struct {
	Assessment Assessment
	// Tasks gives our own Task per key, as the record shows it; a Task that we ended is nobody's answer and
	// is left out.
	Tasks map[string]draft.Seen
	// Doubled are the keys of which the record shows more than one open Task, sorted.
	Doubled []string
	// Keys are all keys with the evidence they stand on now.
	Keys []filter.KnownKey
	// MergedKeys are those of Assessment.Merged, with what they stood on by themselves.
	MergedKeys []filter.KnownKey

	known  []filter.KnownKey
	merged []filter.KnownKey
	policy policy.Policy
}

// Patient assesses one patient on one day. The answer depends on the set of entries, not on their order or number.
func Patient(rec Record, basis Basis, asOf filter.Day) Result {
	return (*Room)(nil).Patient(rec, basis, asOf)
}

// Patient is the function of that name.
func (m *Room) Patient(rec Record, basis Basis, asOf filter.Day) Result {
	o := m.begin()
	*o = outlook{reading: m.chart().Read(newest(rec.Entries), basis.Sets, basis.Models, basis.Zone), basis: basis, book: basis.Book.Filled(), room: m}
	reading := &o.reading
	o.mint = minting(cmp.Or(rec.Person, reading.Patient), rec.Taken)
	tasks := slices.DeleteFunc(slices.Clone(reading.Facts.OwnTasks), func(t rules.OwnTask) bool { return slices.Contains(rec.Taken, t.Key) })
	res := Result{Tasks: map[string]draft.Seen{}}
	res.see(tasks, rec.Past)
	known := adopt(rec.Known, rec.Merged, rec.Asked, holds(rec, res.Tasks, tasks, asOf), tasks)
	o.known = known
	history, until := o.history(asOf)
	today := o.answers(history, asOf)

	for _, k := range known {
		if into, ok := history.Merged[k.Key]; ok {
			res.MergedKeys = append(res.MergedKeys, filter.KnownKey{Key: k.Key, Evidence: k.Apart(known), Into: into})
		}
	}
	due := o.ahead(history, until, today)
	a := Assessment{
		AsOf: asOf.String(), Patient: reading.Patient, Policy: basis.Policy.Name, Context: cmp.Or(rec.Context, ContextInput), Filters: make([]Filter, 0, len(today)), Unread: []Unread{}, Merged: history.Merged,
		Person: Person{Name: reading.Person.Name, BirthDate: reading.Person.BirthDate, Sex: reading.Person.Sex, OtherNames: reading.Person.OtherNames, Numbers: reading.Person.Numbers, Deceased: died(reading.Facts.Deceased, asOf)},
	}
	a.FollowUp = followUp(*reading, asOf)
	a.Nameless = nameless(rec.Entries)
	a.Patient = knownPatient(a.Patient, rec.Entries, a.Nameless)
	clock := filter.NewClock(asOf)
	for _, u := range reading.UnreadOn(clock) {
		a.Unread = append(a.Unread, Unread(u))
	}
	for _, j := range today {
		f := present(j.Judgement, j.plan, a.Context, rec.Gaps)
		f.Others = others(history, f.Key)
		if j.changes < filter.MaxDay {
			f.ChangesOn = text(j.changes)
		}
		if j.LookAgain < filter.MaxDay {
			f.LookAgainOn = text(j.LookAgain)
			due = min(due, j.LookAgain)
		}
		a.Filters = append(a.Filters, f)
		res.Keys = append(res.Keys, filter.KnownKey{Key: f.Key, Evidence: j.Situation.Filter.Own})
	}
	if due = min(due, clock.Next()); due < filter.MaxDay {
		a.DueOn = text(due)
	}
	a.Note = note(a)
	res.Assessment, res.known, res.merged, res.policy = a, rec.Known, slices.Concat(rec.Merged, res.MergedKeys), basis.Policy
	return res
}

// see notes how our own Tasks stand in the record; past names those of earlier rounds.
func (res *Result) see(tasks []rules.OwnTask, past []string) {
	open := map[string]int{}
	for _, t := range tasks {
		if state := draft.StateOf(t.Status); state == draft.TaskDraft || state == draft.TaskMovedOn {
			if open[t.Key]++; open[t.Key] == 2 {
				res.Doubled = append(res.Doubled, t.Key)
			}
		}
		if t.ClosedByUs || slices.Contains(past, t.Ref) {
			continue
		}
		if have, ok := res.Tasks[t.Key]; !ok || cmp.Or(cmp.Compare(rank(t.Status), rank(have.Status)), cmp.Compare(draft.Urgency(have.Priority), draft.Urgency(t.Priority))) < 0 {
			res.Tasks[t.Key] = draft.Seen{Status: t.Status, Priority: t.Priority, Owner: t.Owner}
		}
	}
	slices.Sort(res.Doubled)
}

// died reports a death by asOf; an undated one holds on every day.
func died(d *rules.Dated, asOf filter.Day) bool {
	return d != nil && (!d.When.Known() || d.When.Earliest <= asOf)
}

// note says what an empty answer means: it is never "no filter".
func note(a Assessment) string {
	n := "Only filters in the coded data received are listed; a filter that no coded entry tells of is not seen here."
	if len(a.Filters) == 0 {
		n = "No filter in the coded data received. This does not say that there is none."
	}
	if a.Context == ContextFeeds {
		n += " No record is configured to read from: what the feeds brought counts as the context."
	}
	return n
}

// newest keeps one copy of each entry, whatever the order in which they came.
func newest(entries []chart.Entry) []chart.Entry {
	all := make([]*chart.Entry, len(entries))
	for i := range entries {
		all[i] = &entries[i]
	}
	slices.SortStableFunc(all, byName)
	double := false
	for i := 1; i < len(all); i++ {
		double = double || byName(all[i-1], all[i]) == 0
	}
	if !double {
		return entries
	}
	out := make([]chart.Entry, 0, len(all))
	for i := 0; i < len(all); {
		to := i + 1
		for to < len(all) && byName(all[to], all[i]) == 0 {
			to++
		}
		if to == i+1 {
			out = append(out, *all[i])
		} else {
			copies := make([]chart.Entry, 0, to-i)
			for _, e := range all[i:to] {
				copies = append(copies, *e)
			}
			out = append(out, newestOf(copies))
		}
		i = to
	}
	return out
}

// byName orders entries by what they are known by.
func byName(a, b *chart.Entry) int {
	if c := strings.Compare(a.Feed, b.Feed); c != 0 {
		return c
	}
	if c := strings.Compare(a.Type, b.Type); c != 0 {
		return c
	}
	return strings.Compare(a.ID, b.ID)
}

// newestOf gives the copy that no other is certainly newer than; of several such, one that retracts the entry, else the last
// by its bytes. Comparing two at a time would not do: where some copies tell a time, some a number and some neither, "newer"
// does not carry over from one pair to the next.
func newestOf(copies []chart.Entry) chart.Entry {
	left := slices.DeleteFunc(slices.Clone(copies), func(a chart.Entry) bool {
		return slices.ContainsFunc(copies, func(b chart.Entry) bool { return older(a, b) })
	})
	if len(left) == 0 {
		left = copies // a circle: nothing can be told
	}
	return slices.MaxFunc(left, func(a, b chart.Entry) int {
		x, y := inError(a), inError(b)
		switch {
		case x && !y:
			return 1
		case y && !x:
			return -1
		}
		return bytes.Compare(a.Raw, b.Raw)
	})
}

// older reports whether b is certainly newer than a: by a later meta.lastUpdated, else by a higher number as versionId.
func older(a, b chart.Entry) bool {
	if !a.LastUpdated.IsZero() && !b.LastUpdated.IsZero() && !a.LastUpdated.Equal(b.LastUpdated) {
		return a.LastUpdated.Before(b.LastUpdated)
	}
	m, errA := strconv.ParseInt(a.VersionID, 10, 64)
	n, errB := strconv.ParseInt(b.VersionID, 10, 64)
	return errA == nil && errB == nil && m < n
}

func inError(e chart.Entry) bool { return bytes.Contains(e.Raw, []byte(`"entered-in-error"`)) }

// minting gives a person's keys by first evidence, and leaves out those that are another's.
func minting(person string, taken []string) func(filter.Ref) string {
	return func(first filter.Ref) string {
		key := mint(person, first)
		for slices.Contains(taken, key) {
			first += "+"
			key = mint(person, first)
		}
		return key
	}
}

// mint makes a filter's key: UUIDv5 (RFC 4122 section 4.3) of the person and the filter's first evidence.
func mint(person string, first filter.Ref) string {
	// Namespace: UUIDv5 of the URL namespace and "urn:dwellwatch:filter".
	name := []byte{0x86, 0xd5, 0xff, 0x04, 0xad, 0xe3, 0x55, 0xc3, 0xbf, 0x47, 0xd8, 0x3b, 0x14, 0x13, 0xd2, 0x59}
	b := sha1.Sum(append(append(append(name, person...), '|'), first...))
	b[6] = b[6]&0x0f | 0x50
	b[8] = b[8]&0x3f | 0x80
	key := hex.AppendEncode(make([]byte, 0, 36), b[:4])
	for _, part := range [...][]byte{b[4:6], b[6:8], b[8:10], b[10:16]} {
		key = hex.AppendEncode(append(key, '-'), part)
	}
	return string(key)
}

func text(d filter.Day) *string {
	s := d.String()
	return &s
}
