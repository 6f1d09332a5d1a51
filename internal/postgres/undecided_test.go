package postgres

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/screen"
)

// told gives other content under the same name, without version and time.
func told(ref, patient, word string, change ...func(*screen.Item)) screen.Item {
	i := item(ref, patient, "", change...)
	if !i.Deleted {
		i.Resource.Raw = []byte(`{"resourceType":"` + i.Resource.Type + `","id":"` + i.Resource.ID + `","note":[{"text":"` + word + `"}]}`)
	}
	return i
}

// words lists what the current content of a resource says.
func (b *bench) words(ref string) []string {
	b.t.Helper()
	return query[string](b, `SELECT coalesce(doc #>> '{note,0,text}', doc ->> 'note', 'gone') FROM resource WHERE current AND type || '/' || id = $1`, ref)
}

// readBack accepts what the record answered to a question asked at a time.
func (b *bench) readBack(asked time.Time, items ...screen.Item) []screen.Outcome {
	b.t.Helper()
	for n := range items {
		items[n].Read = true
	}
	out, err := b.AcceptHeld(b.t.Context(), items, asked)
	if err != nil {
		b.t.Fatal(err)
	}
	return out
}

// TestTheRecordTellsWhatCounts: where neither versions nor times tell, the order of receipt decides, is noted, and the record
// is asked once; what it answers counts, unless something came after the question.
func TestTheRecordTellsWhatCounts(t *testing.T) {
	t.Parallel()
	first, second := told("Procedure/p", "a", "first", evidence), told("Procedure/p", "a", "second", evidence)
	other := told("Procedure/q", "a", "other", evidence)
	numbered := func(word, id string, minute int) screen.Item {
		return told("Procedure/p", "a", word, evidence, updated(minute), func(i *screen.Item) { i.Resource.VersionID = id })
	}
	first7, second3 := numbered("first", "7", 1), numbered("second", "3", 2)
	for name, c := range map[string]struct {
		pushed    []screen.Item
		undecided bool
		words     string // after the pushes
		pulls     int    // asked for by the last push
		read      screen.Item
		early     bool // the record was asked before the last push
		after     string
	}{
		"the record has the older one":           {[]screen.Item{other, first, second}, true, "second", 1, first, false, "first"},
		"the record has the newer one":           {[]screen.Item{other, first, second}, true, "second", 1, second, false, "second"},
		"it came after the question":             {[]screen.Item{other, first, second}, true, "second", 1, first, true, "second"},
		"the same again":                         {[]screen.Item{other, first, first}, false, "first", 0, first, false, "first"},
		"back and forth":                         {[]screen.Item{other, first, second, first}, true, "first", 1, second, false, "second"},
		"content after a deletion":               {[]screen.Item{other, first, told("Procedure/p", "", "", deleted), second}, false, "gone", 1, second, false, "second"},
		"a deletion":                             {[]screen.Item{other, first, told("Procedure/p", "", "", deleted)}, false, "gone", 0, first, true, "gone"},
		"a deletion that the record contradicts": {[]screen.Item{other, first, told("Procedure/p", "", "", deleted)}, false, "gone", 0, first, false, "first"},
		"a deletion that came first":             {[]screen.Item{other, told("Procedure/p", "", "", deleted)}, false, "", 0, first, false, "first"},
		"content after a retraction":             {[]screen.Item{other, first, told("Procedure/p", "a", "not so", retracted), first}, false, "not so", 0, first, false, "first"},
		"number and time disagree, as in a record restored from a copy": {[]screen.Item{other, first7, second3}, false, "first", 1, second3, false, "second"},
		"number and time disagree, and the record has the higher":       {[]screen.Item{other, first7, second3}, false, "first", 1, first7, false, "first"},
		"number and time disagree, the higher number told last":         {[]screen.Item{other, second3, first7}, false, "first", 1, second3, false, "second"},
		"versions tell": {[]screen.Item{other, item("Procedure/p", "a", "1", evidence), item("Procedure/p", "a", "2", evidence)}, false, "2|a|false|0001-01-01 00:00:00 +0000 UTC|", 0,
			item("Procedure/p", "a", "1", evidence), false, "2|a|false|0001-01-01 00:00:00 +0000 UTC|"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{PullContext: true})
			var out []screen.Outcome
			var pulls, before int
			var asked time.Time
			for _, i := range c.pushed {
				before = len(b.jobs("pull_context"))
				asked = b.now.Add(30 * time.Minute)
				b.now = b.now.Add(time.Hour)
				var err error
				if out, err = b.Accept(t.Context(), []screen.Item{i}, b.now); err != nil {
					t.Fatal(err)
				}
				pulls = len(b.jobs("pull_context")) - before
			}
			if out[0].Undecided != c.undecided || pulls != c.pulls {
				t.Errorf("undecided %t, %d pulls; want %t, %d", out[0].Undecided, pulls, c.undecided, c.pulls)
			}
			one := func(word string) []string {
				if word == "" {
					return []string{}
				}
				return []string{word}
			}
			wantWords := func(want []string) {
				t.Helper()
				got := append([]string{}, b.words("Procedure/p")...)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("what counts (-want +got):\n%s", diff)
				}
			}
			wantWords(one(c.words))
			if !c.early {
				asked = b.now.Add(time.Minute)
			}
			before = len(b.jobs("pull_context"))
			b.readBack(asked, c.read)
			wantWords(one(c.after))
			if again := len(b.jobs("pull_context")) - before; again > 0 && c.after == c.words {
				t.Errorf("the answer makes %d further pulls", again)
			}
			b.wantJobPerVersion()
		})
	}
}

// TestWithoutARecordTheOrderOfReceiptIsNoted: nobody can be asked, so nothing is queued but the assessment of what changed.
func TestWithoutARecordTheOrderOfReceiptIsNoted(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(told("Procedure/p", "a", "first", evidence))
	out, err := b.Accept(t.Context(), []screen.Item{told("Procedure/p", "a", "second", evidence)}, b.now.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	want := []screen.Outcome{{Fate: screen.Updated, Version: 2, Undecided: true}}
	if diff := cmp.Diff(want, out); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if got := b.jobs("pull_context"); len(got) > 0 {
		t.Errorf("pulls without a record: %v", got)
	}
	// Another feed's record cannot be asked either.
	c := setup(t, Options{PullContext: true})
	ward := func(i *screen.Item) { i.Feed = "ward" }
	c.take(told("Procedure/p", "a", "first", evidence, ward))
	before := len(c.jobs("pull_context"))
	c.take(told("Procedure/p", "a", "second", evidence, ward))
	if got := len(c.jobs("pull_context")); got != before {
		t.Errorf("%d pulls for a feed that cannot be asked", got-before)
	}
}

// TestWhatASearchListsDecidesNothing: what is new or newer by version and time counts; of all else the record must be asked by its id,
// and until then nothing changes.
func TestWhatASearchListsDecidesNothing(t *testing.T) {
	t.Parallel()
	numbered := func(word, id string, minute int, change ...func(*screen.Item)) screen.Item {
		return told("Procedure/p", "a", word, append([]func(*screen.Item){evidence, updated(minute), func(i *screen.Item) { i.Resource.VersionID = id }}, change...)...)
	}
	plain := told("Procedure/p", "a", "first", evidence)
	for name, c := range map[string]struct {
		pushed []screen.Item
		listed screen.Item
		fate   screen.Fate
		unsure bool
		words  string
	}{
		"new":                          {nil, plain, screen.Created, false, "first"},
		"the same":                     {[]screen.Item{plain}, plain, screen.Duplicate, false, "first"},
		"other content":                {[]screen.Item{plain}, told("Procedure/p", "a", "second", evidence), screen.Stale, true, "first"},
		"newer":                        {[]screen.Item{numbered("first", "1", 1)}, numbered("second", "2", 2), screen.Updated, false, "second"},
		"older":                        {[]screen.Item{numbered("second", "2", 2)}, numbered("first", "1", 1), screen.Stale, false, "second"},
		"lower and later":              {[]screen.Item{numbered("first", "7", 1)}, numbered("second", "3", 2), screen.Stale, true, "first"},
		"higher and earlier":           {[]screen.Item{numbered("first", "3", 2)}, numbered("second", "7", 1), screen.Stale, true, "first"},
		"in error, lower and later":    {[]screen.Item{numbered("first", "7", 1)}, numbered("second", "3", 2, retracted), screen.Stale, true, "first"},
		"in error, and newer":          {[]screen.Item{numbered("first", "1", 1)}, numbered("second", "2", 2, retracted), screen.Updated, false, "second"},
		"deleted, and then newer":      {[]screen.Item{numbered("first", "1", 1), told("Procedure/p", "", "", deleted)}, numbered("second", "2", 600), screen.Stale, true, "gone"},
		"only the deletion heard of":   {[]screen.Item{told("Procedure/p", "", "", deleted)}, numbered("second", "2", 600), screen.Stale, true, ""},
		"deleted, and listed in error": {[]screen.Item{numbered("first", "1", 1), told("Procedure/p", "", "", deleted)}, numbered("second", "2", 2, retracted), screen.Stale, false, "gone"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{PullContext: true})
			b.take(told("Procedure/q", "a", "other", evidence))
			for _, i := range c.pushed {
				b.now = b.now.Add(time.Hour)
				b.take(i)
			}
			before := len(b.jobs("pull_context"))
			c.listed.Listed = true
			out, err := b.AcceptHeld(t.Context(), []screen.Item{c.listed}, b.now.Add(time.Minute))
			if err != nil || out[0].Fate != c.fate || out[0].Unsure != c.unsure {
				t.Errorf("%+v, %v; want %s, unsure %t", out, err, c.fate, c.unsure)
			}
			want := []string{}
			if c.words != "" {
				want = []string{c.words}
			}
			if diff := cmp.Diff(want, b.words("Procedure/p")); diff != "" {
				t.Errorf("what counts (-want +got):\n%s", diff)
			}
			if more := len(b.jobs("pull_context")) - before; c.unsure && more > 0 {
				t.Errorf("%d further pulls", more)
			}
			b.wantJobPerVersion()
		})
	}
}

// TestWhatASearchListsEndsNoWaiting: a device that was deleted, and is still found, is not here for what waits for it.
func TestWhatASearchListsEndsNoWaiting(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(told("Procedure/q", "a", "other", evidence), item("Device/d", "a", "1"))
	b.take(item("Device/d", "", "", deleted))
	b.wantTake([]screen.Item{item("DeviceUseStatement/u", "b", "1", naming("Device/d"))}, screen.Waiting)
	device := item("Device/d", "a", "2", ahead(0))
	device.Listed = true
	if out, err := b.AcceptHeld(t.Context(), []screen.Item{device}, b.now.Add(time.Minute)); err != nil || !out[0].Unsure {
		t.Errorf("%+v, %v; want it unsure", out, err)
	}
	b.wantCount(1, `SELECT count(*) FROM waiting`)
	device.Listed = false
	b.readBack(b.now.Add(time.Minute), device)
	b.wantCount(0, `SELECT count(*) FROM waiting`)
}
