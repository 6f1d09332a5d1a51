package postgres

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sync/errgroup"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/screen"
)

func TestQuarantineShowsWhatItTakesToReplay(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	r := Refused{Feed: "lab", Route: "/feeds/:feed/fhir/:type/:id", Method: "PUT", Target: "Procedure/p\x00\xff", ContentType: "text/plain",
		ContentEncoding: "deflate", Bundle: "batch", Body: []byte("{bad"), Keep: true, At: b.now,
		Issues: []fhir.Issue{{Severity: "error", Code: "structure", Expression: "Procedure.status", Text: "bad"}}}
	dropped := r
	dropped.Keep, dropped.Feed = false, "ward"
	for _, r := range []Refused{r, dropped} {
		if err := b.Quarantine(t.Context(), r, 30); err != nil {
			t.Fatal(err)
		}
	}
	want := Held{ID: 1, Feed: "lab", Route: r.Route, Method: "PUT", Target: "Procedure/p\uFFFD", ContentType: "text/plain", ContentEncoding: "deflate",
		Bundle: "batch", ReceivedAt: b.now, ExpiresAt: b.now.AddDate(0, 0, 30), Size: 4, Body: r.Body, Replayable: true, Times: 1, Issues: r.Issues, OutcomeIssues: []fhir.Issue{}}
	b.wantHeld(want)
	// What concerns nobody here leaves neither bytes nor the path, which may hold an id.
	b.wantHeld(Held{ID: 2, Feed: "ward", Route: r.Route, ReceivedAt: b.now, ExpiresAt: want.ExpiresAt, Size: 4, Times: 1, Issues: r.Issues, OutcomeIssues: []fhir.Issue{}})

	again := []fhir.Issue{{Severity: "error", Code: "value"}}
	if err := b.QuarantineReplayed(t.Context(), 1, 400, again, b.now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	want.Replays, want.ReplayedAt, want.Outcome, want.OutcomeIssues = 1, b.now.Add(time.Hour), 400, again
	b.wantHeld(want)

	if err := b.QuarantineDiscard(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	_, show := b.QuarantineShow(t.Context(), 1)
	for name, err := range map[string]error{"show": show, "discard": b.QuarantineDiscard(t.Context(), 1),
		"replayed": b.QuarantineReplayed(t.Context(), 1, 400, nil, b.now)} {
		if !errors.Is(err, fault.NotFound) {
			t.Errorf("%s of what is gone: %v", name, err)
		}
	}
}

func (b *bench) wantHeld(want Held) {
	b.t.Helper()
	got, err := b.QuarantineShow(b.t.Context(), want.ID)
	if err != nil {
		b.t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		b.t.Errorf("entry %d (-want +got):\n%s", want.ID, diff)
	}
}

func TestQuarantineListsPages(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for n := range 5 {
		feed := []string{"lab", "ward"}[n%2]
		if err := b.Quarantine(t.Context(), Refused{Feed: feed, Route: "/fhir", Method: "POST", Body: []byte(fmt.Sprint(n)), Keep: true, At: b.now}, 30); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		feed  string
		after int64
		limit int
		want  string
	}{
		{"", 0, 10, "[1 2 3 4 5]"}, {"", 0, 2, "[1 2]"}, {"", 2, 2, "[3 4]"}, {"", 5, 2, "[]"}, {"ward", 0, 10, "[2 4]"}, {"lab", 1, 1, "[3]"}, {"none", 0, 10, "[]"},
	} {
		list, err := b.QuarantineList(t.Context(), c.feed, c.after, c.limit)
		if err != nil {
			t.Fatal(err)
		}
		ids := []int64{}
		for _, h := range list {
			ids = append(ids, h.ID)
			if h.Body != nil || !h.Replayable {
				t.Errorf("entry %d: a list holds no bytes, and says that they are there", h.ID)
			}
		}
		if got := fmt.Sprint(ids); got != c.want {
			t.Errorf("%q after %d, at most %d: %s, want %s", c.feed, c.after, c.limit, got, c.want)
		}
	}
}

// A sender that repeats what cannot be read makes no second entry; the last time counts. Another door, or other bytes, do.
func TestQuarantineKeepsARepeatOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	r := Refused{Feed: "lab", Route: "/fhir", Method: "POST", Body: []byte("bad"), Keep: true, At: b.now, Issues: []fhir.Issue{{Code: "structure"}}}
	later, other, unread := r, r, r
	later.At, later.Issues = b.now.Add(2*time.Hour), []fhir.Issue{{Code: "value"}}
	other.Feed = "ward"
	unread.Body = nil
	for _, one := range []Refused{r, later, other, unread, unread} {
		if err := b.Quarantine(t.Context(), one, 30); err != nil {
			t.Fatal(err)
		}
	}
	b.wantHeld(Held{ID: 1, Feed: "lab", Route: "/fhir", Method: "POST", ReceivedAt: later.At, ExpiresAt: later.At.AddDate(0, 0, 30), Size: 3, Body: r.Body,
		Replayable: true, Times: 2, Issues: later.Issues, OutcomeIssues: []fhir.Issue{}})
	b.wantCount(4, `SELECT count(*) FROM quarantine`)
}

// What lay in the quarantine while something newer came must not take its place, where only the order of receipt tells.
func TestHeldIsAsOldAsItsReceipt(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	came := b.now
	held := func(i screen.Item, want screen.Fate) {
		t.Helper()
		out, err := b.AcceptHeld(t.Context(), []screen.Item{i}, came)
		if err != nil || out[0].Fate != want {
			t.Errorf("got %v, %v; want %s", out, err, want)
		}
	}
	current := func(want screen.Item) {
		t.Helper()
		const read = `SELECT convert_from(body, 'UTF8') FROM resource WHERE current AND id = $1`
		if diff := cmp.Diff([]string{string(want.Resource.Raw)}, query[string](b, read, want.Resource.ID)); diff != "" {
			t.Errorf("current (-want +got):\n%s", diff)
		}
	}
	// Without versions the one that came last counts, and that is not the one that was taken last.
	before, after := item("Device/d", "p", "", evidence, naming("Device/a")), item("Device/d", "p", "", evidence, naming("Device/b"))
	b.wantTake([]screen.Item{after}, screen.Created)
	held(before, screen.Stale)
	current(after)
	held(before, screen.Duplicate)
	held(after, screen.Duplicate)
	held(item("Device/d", "", "", deleted), screen.Stale)
	current(after)
	b.wantTake([]screen.Item{before}, screen.Updated) // no replay: the sender says so now
	current(before)

	// Numbers decide whenever it came.
	held(item("Device/e", "p", "1", evidence), screen.Created)
	b.wantTake([]screen.Item{item("Device/e", "p", "2", evidence)}, screen.Updated)
	held(item("Device/e", "p", "3", evidence), screen.Updated)
	current(item("Device/e", "p", "3", evidence))
}

func TestTwoReplaysStoreOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	var group errgroup.Group
	fates := make([]screen.Fate, 6)
	for n := range fates {
		group.Go(func() error {
			out, err := b.AcceptHeld(context.WithoutCancel(t.Context()), []screen.Item{item("Device/d", "p", "", evidence)}, b.now)
			if err == nil {
				fates[n] = out[0].Fate
			}
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	created := 0
	for _, f := range fates {
		if f == screen.Created {
			created++
		} else if f != screen.Duplicate {
			t.Errorf("fate %s", f)
		}
	}
	if created != 1 {
		t.Errorf("created %d times", created)
	}
	b.wantCount(1, `SELECT count(*) FROM resource WHERE type = 'Device'`)
}

// TestFollows: a payload that cannot be read is kept aside where it names a followed patient of its feed.
func TestFollows(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	for _, c := range []struct {
		feed     string
		patients []string
		want     bool
	}{
		{DefaultFeed, []string{"z", "a"}, true}, {DefaultFeed, []string{"z"}, false}, {DefaultFeed, nil, false}, {"other", []string{"a"}, false},
	} {
		if got, err := b.Follows(t.Context(), c.feed, c.patients); got != c.want || err != nil {
			t.Errorf("%s %v: %t, %v; want %t", c.feed, c.patients, got, err, c.want)
		}
	}
}
