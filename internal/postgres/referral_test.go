package postgres

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sync/errgroup"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

// referred gives a bench where filter "k" of patient a has a wanted referral of version 1.
func referred(t *testing.T) (*bench, Saved) {
	t.Helper()
	b, a := assessed(t, Options{})
	a.Keys = []filter.KnownKey{{Key: "k", Evidence: []string{"Procedure/p"}}}
	a.Referrals = []SavedReferral{wanted("k")}
	b.save(a)
	return b, a
}

func (b *bench) wanted(key string) WantedReferral {
	b.t.Helper()
	w, err := b.Wanted(b.t.Context(), key)
	if err != nil {
		b.t.Fatalf("Wanted: %v", err)
	}
	return w
}

func TestWantedComesBackAsSaved(t *testing.T) {
	t.Parallel()
	b, a := referred(t)
	want := WantedReferral{Version: 1, Referral: wanted("k").Referral, Document: wanted("k").Document, Receipts: []Receipt{}, Patients: []string{"a"}}
	if diff := cmp.Diff(want, b.wanted("k")); diff != "" {
		t.Errorf("referral (-want +got):\n%s", diff)
	}
	a.Referrals[0].Changed, a.Referrals[0].Document = false, nil
	b.save(a)
	if diff := cmp.Diff(want, b.wanted("k")); diff != "" {
		t.Errorf("referral after a save without change (-want +got):\n%s", diff)
	}
	next := wanted("k")
	next.Referral.Revision, next.Document = 2, []byte(`{"second":true}`)
	a.Referrals[0] = next
	b.save(a)
	want.Version, want.Referral, want.Document = 2, next.Referral, next.Document
	if diff := cmp.Diff(want, b.wanted("k")); diff != "" {
		t.Errorf("referral after a change (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{`{"key": "k", "version": 1}`, `{"key": "k", "version": 2}`}, b.jobs("write_back")); diff != "" {
		t.Errorf("write-backs (-want +got):\n%s", diff)
	}
}

func TestReferralNeverAskedHasVersionZero(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	a.Keys = []filter.KnownKey{{Key: "k"}}
	a.Referrals = []SavedReferral{{Referral: draft.Referral{Key: "k", Reason: draft.NoContext}}}
	b.save(a)
	if w := b.wanted("k"); w.Version != 0 || w.Document != nil || w.Referral.Reason != draft.NoContext {
		t.Errorf("referral %+v, want version 0 without document", w)
	}
}

func TestReferralOfNobody(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	_, wantedErr := b.Wanted(t.Context(), "none")
	_, leaseErr := b.Lease(t.Context(), "none", "x", time.Minute)
	for name, err := range map[string]error{
		"Wanted": wantedErr, "Lease": leaseErr,
		"MarkWritten":   b.MarkWritten(t.Context(), "none", 1, nil, b.now),
		"MarkAttention": b.MarkAttention(t.Context(), "none", 1, "refused", b.now),
	} {
		if !errors.Is(err, fault.NotFound) {
			t.Errorf("%s: %v, want fault.NotFound", name, err)
		}
	}
}

func TestLeaseIsForOneHolder(t *testing.T) {
	t.Parallel()
	b, _ := referred(t)
	passed := time.Duration(0)
	lease := func(holder string, after time.Duration, want bool) {
		t.Helper()
		// The time is the database's: it passes where the end of the lease comes nearer.
		if _, err := b.Pool().Exec(t.Context(), `UPDATE referral SET lease_until = lease_until - $1::interval`, after-passed); err != nil {
			t.Fatal(err)
		}
		passed = after
		got, err := b.Lease(t.Context(), "k", holder, time.Minute)
		if err != nil || got != want {
			t.Errorf("%s after %s: %v %v, want %v", holder, after, got, err, want)
		}
	}
	lease("one", 0, true)
	lease("two", 30*time.Second, false)
	lease("one", 40*time.Second, true) // prolonged to 100 seconds
	lease("two", 80*time.Second, false)
	lease("two", 100*time.Second, true)
	lease("one", 101*time.Second, false)
	if err := b.Release(t.Context(), "k", "one"); err != nil {
		t.Fatal(err)
	}
	lease("one", 102*time.Second, false) // it was not its lease to end
	if err := b.Release(t.Context(), "k", "two"); err != nil {
		t.Fatal(err)
	}
	lease("one", 103*time.Second, true)
}

func TestOneOfManyGetsTheLease(t *testing.T) {
	t.Parallel()
	b, _ := referred(t)
	got := make([]bool, 20)
	var group errgroup.Group
	for n := range got {
		group.Go(func() (err error) {
			got[n], err = b.Lease(t.Context(), "k", string(rune('a'+n)), time.Minute)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	holders := 0
	for _, one := range got {
		if one {
			holders++
		}
	}
	if holders != 1 {
		t.Errorf("%d holders, want 1", holders)
	}
}

func TestMarkWritten(t *testing.T) {
	t.Parallel()
	b, a := referred(t)
	task := Receipt{Kind: "Task", Round: 1, ResourceID: "t1", VersionID: "1", Status: "draft"}
	document := Receipt{Kind: "DocumentReference", Round: 1, Revision: 1, ResourceID: "d1", VersionID: "1", Status: "current"}
	mark := func(version int64, receipts ...Receipt) error {
		return b.MarkWritten(t.Context(), "k", version, receipts, b.now)
	}
	if err := mark(1, task, document); err != nil {
		t.Fatal(err)
	}
	if w := b.wanted("k"); w.WrittenVersion != 1 || !cmp.Equal(w.Receipts, []Receipt{document, task}) {
		t.Errorf("written %d with %v", w.WrittenVersion, w.Receipts)
	}
	a.Referrals[0].Referral.Revision = 2
	b.save(a)
	task.VersionID, task.Status = "2", "cancelled"
	if err := mark(2, task); err != nil {
		t.Fatal(err)
	}
	if err := mark(1); err != nil { // a late repetition
		t.Fatal(err)
	}
	if w := b.wanted("k"); w.WrittenVersion != 2 || !cmp.Equal(w.Receipts, []Receipt{document, task}) {
		t.Errorf("written %d with %v", w.WrittenVersion, w.Receipts)
	}
	if err := mark(3); !errors.Is(err, fault.Invalid) {
		t.Errorf("a version that was never wanted: %v, want fault.Invalid", err)
	}
	bad := Receipt{Kind: "Patient", Round: 1, ResourceID: "x"}
	if err := mark(2, bad); err == nil {
		t.Error("a receipt of a kind that we never write was taken")
	}
}

func TestAttentionEndsWhenWritten(t *testing.T) {
	t.Parallel()
	b, a := referred(t)
	if err := b.MarkAttention(t.Context(), "k", 1, "refused", b.now); err != nil {
		t.Fatal(err)
	}
	if w := b.wanted("k"); w.Attention != "refused" {
		t.Errorf("attention %q, want refused", w.Attention)
	}
	b.save(a)
	if err := b.MarkAttention(t.Context(), "k", 1, "late", b.now); !errors.Is(err, fault.Superseded) {
		t.Errorf("attention for an older version: %v, want fault.Superseded", err)
	}
	if err := b.MarkWritten(t.Context(), "k", 2, nil, b.now); err != nil {
		t.Fatal(err)
	}
	if w := b.wanted("k"); w.Attention != "" || w.WrittenVersion != 2 {
		t.Errorf("attention %q after writing version %d", w.Attention, w.WrittenVersion)
	}
}

func TestOverview(t *testing.T) {
	t.Parallel()
	b, _ := referred(t)
	b.take(item("Procedure/q", "0", "1", evidence))
	task := Receipt{Kind: "Task", Round: 1, ResourceID: "t1", VersionID: "1", Status: "draft"}
	if err := b.MarkWritten(t.Context(), "k", 1, []Receipt{task}, b.now); err != nil {
		t.Fatal(err)
	}
	got, err := b.Overview(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := []Row{
		{Person: person("0"), ChartVersion: 1, Patients: []Alias{{DefaultFeed, "0"}}},
		{Person: person("a"), ChartVersion: 3, Patients: []Alias{{DefaultFeed, "a"}}, Answer: []byte(`{"note":"\u0000"}`),
			Referrals: []RowReferral{{Referral: wanted("k").Referral, Version: 1, WrittenVersion: 1, Receipts: []Receipt{task}}}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("overview (-want +got):\n%s", diff)
	}
}
