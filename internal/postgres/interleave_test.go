package postgres

import (
	"testing"
	"time"

	"dwellwatch/internal/screen"
)

// hold accepts items in a transaction that stays open until the returned function commits it.
func (b *bench) hold(items ...screen.Item) (commit func()) {
	b.t.Helper()
	who, err := b.whoami(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	tx, err := b.pool.Begin(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.accept(b.t.Context(), tx, who, items, b.now, manner{}, &locks{slots: slots{}, persons: set{}}); err != nil {
		b.t.Fatal(err)
	}
	return func() {
		b.t.Helper()
		if err := tx.Commit(b.t.Context()); err != nil {
			b.t.Fatal(err)
		}
	}
}

// during runs f until it is done or waits for a lock, then commits what was held; an error of f fails the test.
func (b *bench) during(commit func(), f func() error) {
	b.t.Helper()
	const waiting = `SELECT count(*)::int FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'`
	done := make(chan error, 1)
	go func() { done <- f() }()
	for query[int](b, waiting)[0] == 0 && len(done) == 0 {
		time.Sleep(5 * time.Millisecond)
	}
	commit()
	if err := <-done; err != nil {
		b.t.Fatal(err)
	}
}

func TestEraseWaitsForWhoBeginsToNameAnEntry(t *testing.T) {
	t.Parallel()
	b, a := emptied(t)
	a.Referrals = nil
	b.save(a)
	commit := b.hold(item("Procedure/r", "b", "1", evidence, naming("Device/own")))
	b.during(commit, func() error {
		_, err := b.Erase(t.Context(), person("a"), 2)
		return err
	})
	b.wantChart("b", 2, "Device/own v1", "Device/shared v1", "Organization/o v1", "Procedure/q v1", "Procedure/r v1")
}

func TestEraseWaitsForWhatArrives(t *testing.T) {
	t.Parallel()
	b, a := emptied(t)
	a.Referrals = nil
	b.save(a)
	commit := b.hold(item("Device/new", "a", "1", evidence))
	b.during(commit, func() error {
		done, err := b.Erase(t.Context(), person("a"), 2)
		if done {
			t.Error("erased although new evidence had arrived")
		}
		return err
	})
}

func TestNamedEntryWaitsForWhoNamesIt(t *testing.T) {
	t.Parallel()
	for name, ref := range map[string]string{"directly": "Device/d", "through a device": "Organization/o"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			b.take(item("Procedure/first", "a", "1", evidence))
			if ref != "Device/d" {
				b.take(item("Device/d", "", "1", holdable, naming(ref)))
			}
			commit := b.hold(item("Procedure/p", "a", "1", evidence, naming("Device/d")))
			b.during(commit, func() error {
				_, err := b.Accept(t.Context(), []screen.Item{item(ref, "", "1", holdable)}, b.now)
				return err
			})
			if got := b.record("a").ChartVersion; got != 3 {
				t.Errorf("chart version %d, want 3: one for the procedure and one for what it names", got)
			}
			b.wantJobPerVersion()
		})
	}
}

func TestPlacementWaitsForItsRetraction(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	commit := b.hold(item("Procedure/p", "", "2", deleted))
	b.during(commit, func() error {
		_, err := b.Accept(t.Context(), []screen.Item{item("Procedure/p", "a", "1", evidence)}, b.now)
		return err
	})
	b.wantCount(0, `SELECT count(*) FROM person`)
	b.wantCount(0, `SELECT count(*) FROM resource`)
}
