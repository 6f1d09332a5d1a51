package postgres

import (
	"testing"
	"time"

	"dwellwatch/internal/screen"
)

// ahead gives the item a time by a clock that is ahead of ours: later than anything that happens in a test, and not so far that it
// would not be believed.
func ahead(seconds int) func(*screen.Item) {
	return func(i *screen.Item) { i.Resource.LastUpdated = time.Date(2026, 3, 2, 12, 0, seconds, 0, time.UTC) }
}

// TestADeletionEndsEveryVersionThatWasHere: whatever the record's clock says, no version that was here when a plain deletion
// came revives the resource, nor does an older one; one that is newer than those does.
func TestADeletionEndsEveryVersionThatWasHere(t *testing.T) {
	t.Parallel()
	device := func(v string, change ...func(*screen.Item)) screen.Item {
		return item("Device/sk", "a", v, append([]func(*screen.Item){evidence}, change...)...)
	}
	gone := item("Device/sk", "", "", deleted)
	for name, c := range map[string]struct {
		first, after screen.Item
		want         screen.Fate
	}{
		"the same again":                  {device("1", ahead(0)), device("1", ahead(0)), screen.Duplicate},
		"the same with other content":     {device("1", ahead(0)), device("1", ahead(0), naming("Location/l")), screen.Stale},
		"an older version":                {device("2"), device("1", ahead(0)), screen.Stale},
		"an older time":                   {device("x", ahead(5)), device("y", ahead(4)), screen.Stale},
		"the same time, another name":     {device("x", ahead(5)), device("y", ahead(5)), screen.Stale},
		"the same name, now with a time":  {device("x"), device("x", ahead(5)), screen.Stale},
		"a newer version, later than all": {device("1", ahead(0)), device("2", ahead(1)), screen.Updated},
		"a later time, no number":         {device("", ahead(0)), device("", ahead(1)), screen.Updated},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			b.wantTake([]screen.Item{c.first}, screen.Created)
			b.wantTake([]screen.Item{gone}, screen.Updated)
			b.wantTake([]screen.Item{c.after}, c.want)
			want := 0
			if c.want == screen.Updated {
				want = 1
			}
			b.wantCount(want, `SELECT count(*) FROM resource WHERE current AND NOT deleted`)
			if want == 1 {
				return
			}
			// What was refused stays so in one call with the deletion, and once only the hash is left.
			b.take(gone, c.after)
			b.wantCount(0, `SELECT count(*) FROM resource WHERE current AND NOT deleted`)
			for _, sql := range []string{`DELETE FROM resource`, `DELETE FROM person_alias`, `DELETE FROM person`} {
				if _, err := b.pool.Exec(t.Context(), sql); err != nil {
					t.Fatal(err)
				}
			}
			b.wantTake([]screen.Item{c.after}, screen.Stale)
			b.wantTake([]screen.Item{device("9", ahead(50))}, screen.Created)
		})
	}
}

// TestTheHashHoldsTheHighestVersionHeard: what a plain deletion of something that is not here refused ends with it.
func TestTheHashHoldsTheHighestVersionHeard(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Device/sk", "", "", deleted)}, screen.Forgotten)
	b.wantTake([]screen.Item{item("Device/sk", "a", "5", evidence)}, screen.Stale) // without a time it is not certainly newer
	b.wantTake([]screen.Item{item("Device/sk", "a", "4", evidence, ahead(0))}, screen.Stale)
	b.wantTake([]screen.Item{item("Device/sk", "a", "5", evidence, ahead(0))}, screen.Stale)
	b.wantCount(0, `SELECT count(*) FROM person`)
	b.wantTake([]screen.Item{item("Device/sk", "a", "6", evidence, ahead(0))}, screen.Created)
}

// TestAnAnswerAskedBeforeTheDeletionDoesNotRevive: a pull that began before it brings the state of then.
func TestAnAnswerAskedBeforeTheDeletionDoesNotRevive(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/first", "a", "1", evidence), item("Device/sk", "a", "1", evidence))
	asked := b.now
	b.take(item("Device/sk", "", "", deleted))
	got, err := b.AcceptHeld(t.Context(), []screen.Item{item("Device/sk", "a", "2", evidence, ahead(0), func(i *screen.Item) { i.Read = true })}, asked)
	if err != nil || got[0].Fate != screen.Stale {
		t.Errorf("%+v, %v; want stale", got, err)
	}
	got, err = b.AcceptHeld(t.Context(), []screen.Item{item("Device/sk", "a", "1", evidence, func(i *screen.Item) { i.Read = true })}, b.now.Add(time.Minute))
	if err != nil || got[0].Fate != screen.Updated {
		t.Errorf("%+v, %v; what the record gives when it is asked later counts", got, err)
	}
}

// TestTheSameVersionWithOtherContentIsTold: it counts, being what came last, and the sender hears of it.
func TestTheSameVersionWithOtherContentIsTold(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Device/d", "a", "1", evidence, at(1)))
	for _, c := range []struct {
		item screen.Item
		want screen.Outcome
	}{
		{item("Device/d", "a", "1", evidence, at(1)), screen.Outcome{Fate: screen.Duplicate, Version: 1}},
		{item("Device/d", "a", "1", evidence, at(1), naming("Location/l")), screen.Outcome{Fate: screen.Updated, Version: 2, Undecided: true, SameVersion: true}},
		{item("Device/d", "a", "1", evidence, at(2)), screen.Outcome{Fate: screen.Updated, Version: 3}},
	} {
		got, err := b.Accept(t.Context(), []screen.Item{c.item}, b.now)
		if err != nil || got[0] != c.want {
			t.Errorf("%+v, %v; want %+v", got, err, c.want)
		}
	}
}

// TestAnEntryThatGoesOverInOneCall: the one whom it leaves is not begun, and the call does not fail for it.
func TestAnEntryThatGoesOverInOneCall(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence), item("Procedure/p", "b", "2", evidence))
	b.wantCount(1, `SELECT count(*) FROM person`)
	b.wantChart("b", 1, "Procedure/p v2")
}
