package postgres

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sync/errgroup"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
)

// emptied gives a bench where the evidence of patient a was retracted, and where patient b shares a device with a.
func emptied(t *testing.T) (*bench, Saved) {
	t.Helper()
	b := setup(t, Options{PullContext: true})
	if _, err := b.RegisterBasis(t.Context(), "digest", "default@1"); err != nil {
		t.Fatal(err)
	}
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/own", "Device/shared", "Medication/m")), item("Patient/a", "a", "1"),
		item("Procedure/q", "b", "1", evidence, naming("Device/shared")),
		item("Device/own", "", "1", holdable, naming("Organization/o")), item("Device/shared", "", "1", holdable), item("Organization/o", "", "1"))
	b.take(item("Procedure/p", "a", "2", retracted, naming("Device/own", "Device/shared")))
	a := Saved{Person: person("a"), ChartVersion: 2, Basis: 1, AsOf: asOf(), DueOn: filter.MaxDay, Answer: []byte(`{}`), EvidenceGone: true,
		Keys: []filter.KnownKey{{Key: "k", Evidence: []string{"Procedure/p"}}}, Referrals: []SavedReferral{wanted("k")}}
	a.Referrals[0].Referral.Reason = draft.Retracted
	return b, a
}

func (b *bench) erase(want bool) {
	b.t.Helper()
	done, err := b.Erase(b.t.Context(), person("a"), 2)
	if err != nil || done != want {
		b.t.Errorf("Erase: %v %v, want %v", done, err, want)
	}
}

func TestEraseWaitsUntilNothingOfOursIsOpen(t *testing.T) {
	t.Parallel()
	b, a := emptied(t)
	a.Referrals[0].Referral.Reason = draft.Wanted
	b.save(a)
	if err := b.MarkWritten(t.Context(), "k", 1, nil, b.now); err != nil {
		t.Fatal(err)
	}
	b.erase(false) // still wanted
	a.Referrals[0].Referral.Reason = draft.Retracted
	b.save(a)
	b.erase(false) // not yet written
	if err := b.MarkWritten(t.Context(), "k", 2, nil, b.now); err != nil {
		t.Fatal(err)
	}
	b.take(item("Observation/o", "a", "1"))
	b.erase(false) // not yet assessed
	a.ChartVersion, a.Referrals = 3, nil
	b.save(a)
	b.erase(true)
	b.erase(true) // somebody who is not here is done
}

// TestEraseWithoutARecord: where no record is configured and none ever answered, nothing of ours stands anywhere, so what was
// never written holds nobody back; a receipt of an earlier record does.
func TestEraseWithoutARecord(t *testing.T) {
	t.Parallel()
	for _, written := range []bool{false, true} {
		b, a := emptied(t)
		b.options.PullContext = false
		b.save(a)
		if written {
			receipts := []Receipt{{Kind: "Task", Round: 1, ResourceID: "t", Status: "draft"}}
			if err := b.MarkWritten(t.Context(), "k", 0, receipts, b.now); err != nil {
				t.Fatal(err)
			}
		}
		b.erase(!written)
	}
}

func TestEraseIsOffWhenEvidenceCameBack(t *testing.T) {
	t.Parallel()
	b, a := emptied(t)
	a.Referrals = nil
	b.save(a)
	b.take(item("Procedure/p", "a", "3", evidence))
	b.erase(false)
	a.ChartVersion, a.EvidenceGone = 3, false
	b.save(a)
	if done, err := b.Erase(t.Context(), person("a"), 2); done || !errors.Is(err, fault.Superseded) {
		t.Errorf("Erase: %v %v, want fault.Superseded", done, err)
	}
}

func TestErasureOfAnEarlierTimeIsOff(t *testing.T) {
	t.Parallel()
	b, a := emptied(t)
	a.Referrals = nil
	b.save(a)
	b.take(item("Procedure/p", "a", "3", evidence))
	a.ChartVersion, a.EvidenceGone = 3, false
	b.save(a)
	b.take(item("Procedure/p", "a", "4", retracted))
	a.ChartVersion, a.EvidenceGone = 4, true
	b.save(a)
	if done, err := b.Erase(t.Context(), person("a"), 2); done || !errors.Is(err, fault.Superseded) {
		t.Errorf("Erase of version 2: %v %v, want fault.Superseded", done, err)
	}
	if done, err := b.Erase(t.Context(), person("a"), 4); !done || err != nil {
		t.Errorf("Erase of version 4: %v %v, want done", done, err)
	}
}

func TestEraseForgetsThePersonAndNobodyElse(t *testing.T) {
	t.Parallel()
	b, a := emptied(t)
	b.save(a)
	receipt := Receipt{Kind: "Task", Round: 1, ResourceID: "t", Status: "cancelled"}
	if err := b.MarkWritten(t.Context(), "k", 1, []Receipt{receipt}, b.now); err != nil {
		t.Fatal(err)
	}
	if err := b.Audit(t.Context(), Entry{At: b.now, Caller: "c", Action: "a", Route: "r", Outcome: "o"}); err != nil {
		t.Fatal(err)
	}
	before := b.record("b")
	b.erase(true)
	if _, err := b.Record(t.Context(), person("a")); !errors.Is(err, fault.NotFound) {
		t.Errorf("Record after Erase: %v, want fault.NotFound", err)
	}
	if diff := cmp.Diff(before, b.record("b")); diff != "" {
		t.Errorf("record of another person (-before +after):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"Device/shared", "Procedure/q"}, query[string](b, `SELECT type || '/' || id AS ref FROM resource ORDER BY ref`)); diff != "" {
		t.Errorf("resources (-want +got):\n%s", diff)
	}
	for table, want := range map[string]int{"referral": 0, "receipt": 0, "assessment": 0, "person_alias": 1, "person": 1, "retraction": 1, "audit": 1} {
		b.wantCount(want, `SELECT count(*) FROM `+table)
	}
	b.wantCount(1, `SELECT count(*) FROM filter_key WHERE key = 'k' AND person_id IS NULL AND evidence = '{}'`)

	b.wantTake([]screen.Item{item("Procedure/p", "a", "1", evidence)}, screen.Stale) // the hash outlives the person
	b.wantTake([]screen.Item{item("Procedure/p", "a", "3", evidence)}, screen.Created)
	a.ChartVersion, a.EvidenceGone = 1, false
	b.save(a) // and so does the key
	b.wantCount(1, `SELECT count(*) FROM filter_key WHERE key = 'k' AND person_id = $1`, person("a"))
}

// TestEraseWhileOthersArrive: what arrives for the person is not lost, and what another person begins to name is not taken away.
func TestEraseWhileOthersArrive(t *testing.T) {
	t.Parallel()
	for range 12 {
		b, a := emptied(t)
		a.Referrals = nil
		b.save(a)
		var group errgroup.Group
		group.Go(func() error {
			_, err := b.Erase(t.Context(), person("a"), 2)
			return err
		})
		for n := range 3 {
			group.Go(func() error {
				_, err := b.Accept(t.Context(), []screen.Item{item(fmt.Sprintf("Device/new%d", n), "a", "1", evidence)}, b.now)
				return err
			})
		}
		own := func() bool {
			return slices.Contains(b.chart("b"), "Device/own v1")
		}
		var seen bool
		group.Go(func() error {
			_, err := b.Accept(t.Context(), []screen.Item{item("Procedure/r", "b", "1", evidence, naming("Device/own"))}, b.now)
			seen = err == nil && own()
			return err
		})
		if err := group.Wait(); err != nil {
			t.Fatal(err)
		}
		b.wantCount(3, `SELECT count(*) FROM resource WHERE person_id = $1 AND id LIKE 'new%'`, person("a"))
		if seen && !own() {
			t.Fatal("the erasure took a device that another person had begun to name")
		}
		b.Close()
	}
}
