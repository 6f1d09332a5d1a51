package postgres

import (
	"bytes"
	"testing"
	"time"

	"dwellwatch/internal/screen"
)

// stamped gives the item a meta.lastUpdated.
func stamped(when time.Time) func(*screen.Item) {
	return func(i *screen.Item) { i.Resource.LastUpdated = when }
}

// TestATimeThatLiesAheadOrdersNothing: a meta.lastUpdated more than a day after the receipt bars no later correction; one that is less
// ahead, and every version number, orders as ever.
func TestATimeThatLiesAheadOrdersNothing(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 1, 13, 0, 0, 0, time.UTC) // of the first call; the second is an hour later
	far, soon := now.AddDate(3, 0, 0), now.Add(23*time.Hour)
	for name, c := range map[string]struct {
		v1, v2      string
		first, then time.Time
		want        screen.Fate
	}{
		"a correction of our days":       {"a", "b", far, now, screen.Updated},
		"without version numbers":        {"", "", far, now, screen.Updated},
		"a correction without a time":    {"a", "b", far, time.Time{}, screen.Updated},
		"both ahead, the later one less": {"a", "b", far.AddDate(1, 0, 0), far, screen.Updated},
		"less than a day ahead":          {"a", "b", soon, now, screen.Stale},
		"a day after the first receipt":  {"a", "b", now.Add(24 * time.Hour), now, screen.Stale},
		"numbers tell":                   {"2", "1", now, far, screen.Stale},
		"numbers tell the other way":     {"1", "2", far, now, screen.Updated},
		"one number, two times":          {"1", "1", far, now, screen.Updated},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			first := item("Procedure/p", "a", c.v1, evidence, stamped(c.first))
			b.wantTake([]screen.Item{first}, screen.Created)
			b.wantTake([]screen.Item{item("Procedure/p", "a", c.v2, evidence, stamped(c.then))}, c.want)
			bodies := query[[]byte](b, `SELECT body FROM resource WHERE version = 1`)
			if len(bodies) != 1 || !bytes.Equal(bodies[0], first.Resource.Raw) {
				t.Errorf("the bytes did not stay as they came: %s", bodies)
			}
		})
	}
}

// TestATimeThatLiesAheadIsJudgedByTheFirstReceipt: neither a replay years later, nor a row that an earlier program kept, makes one true.
func TestATimeThatLiesAheadIsJudgedByTheFirstReceipt(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	came := b.now.AddDate(-1, 0, 0)
	ahead := came.AddDate(0, 0, 3) // of the receipt, and long past by the replay
	if _, err := b.AcceptHeld(t.Context(), []screen.Item{item("Procedure/p", "a", "x", evidence, stamped(ahead))}, came); err != nil {
		t.Fatal(err)
	}
	b.wantTake([]screen.Item{item("Procedure/p", "a", "y", evidence, stamped(came.AddDate(0, 0, 1)))}, screen.Updated)

	for _, kept := range []string{
		`UPDATE resource SET last_updated = timestamptz '2099-01-01' WHERE type = 'Procedure'`,
		`UPDATE retraction SET last_updated = timestamptz '2099-01-01'`,
	} {
		if _, err := b.pool.Exec(t.Context(), kept); err != nil {
			t.Fatal(err)
		}
	}
	b.wantTake([]screen.Item{item("Procedure/p", "a", "z", evidence, stamped(b.now))}, screen.Updated)
	for _, s := range b.record("a").Resources {
		if s.Resource.LastUpdated.Year() == 2099 {
			t.Error("a time that lies ahead is shown to the assessment")
		}
	}

	b.wantTake([]screen.Item{item("Device/d", "", "", deleted, stamped(b.now.AddDate(1, 0, 0)))}, screen.Forgotten)
	b.wantTake([]screen.Item{item("Device/d", "a", "", evidence, stamped(b.now.Add(2*time.Hour)))}, screen.Created)
}
