package postgres

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

func (b *bench) gauges() Gauges {
	b.t.Helper()
	g, err := b.Gauges(b.t.Context())
	if err != nil {
		b.t.Fatalf("Gauges: %v", err)
	}
	return g
}

func (b *bench) exec(sql string, args ...any) {
	b.t.Helper()
	if _, err := b.pool.Exec(b.t.Context(), sql, args...); err != nil {
		b.t.Fatal(err)
	}
}

func TestGaugesOfNothing(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	if diff := cmp.Diff(Gauges{Attention: map[string]int{}, Queue: []QueueCount{}}, b.gauges()); diff != "" {
		t.Errorf("gauges (-want +got):\n%s", diff)
	}
}

func TestGaugesCountWhatIsNotWritten(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	closing := wanted("closing")
	closing.Referral.Reason = draft.Removed
	a.Keys = []filter.KnownKey{{Key: "opening"}, {Key: "closing"}, {Key: "written"}, {Key: "never"}}
	a.Referrals = []SavedReferral{wanted("opening"), closing, wanted("written"), {Referral: draft.Referral{Key: "never", Reason: draft.NotDue}}}
	b.save(a)
	if err := b.MarkWritten(t.Context(), "written", 1, nil, b.now); err != nil {
		t.Fatal(err)
	}
	if g := b.gauges(); g.ToOpen != 1 || g.ToClose != 1 {
		t.Errorf("waiting: %d to open, %d to close, want 1 and 1", g.ToOpen, g.ToClose)
	}
	// A state older than what is in the record does not count.
	b.exec(`UPDATE referral SET changed_at = now() - interval '3 hours' WHERE key = 'written'`)
	b.exec(`UPDATE referral SET changed_at = now() - interval '2 hours' WHERE key = 'closing'`)
	if got := b.gauges().OldestWaiting; got < 2*time.Hour || got > 2*time.Hour+time.Minute {
		t.Errorf("the oldest waits for %s, want 2 h", got)
	}
	// A newer state waits since it was saved; an unchanged one has waited all along.
	again := wanted("opening")
	again.Changed, again.Document = false, nil
	a.Referrals = []SavedReferral{again, closing}
	b.exec(`UPDATE referral SET changed_at = now() - interval '1 hour' WHERE key = 'opening'`)
	b.save(a)
	if got := b.gauges().OldestWaiting; got < time.Hour || got > time.Hour+time.Minute {
		t.Errorf("the oldest waits for %s, want 1 h", got)
	}
}

func TestGaugesCountAttentionOfTheNewestVersion(t *testing.T) {
	t.Parallel()
	b, a := referred(t)
	if err := b.MarkAttention(t.Context(), "k", 1, "refused", b.now); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[string]int{"refused": 1}, b.gauges().Attention); diff != "" {
		t.Errorf("attention (-want +got):\n%s", diff)
	}
	b.save(a) // a newer version, which nobody has tried to write
	if diff := cmp.Diff(map[string]int{}, b.gauges().Attention); diff != "" {
		t.Errorf("attention after a newer version (-want +got):\n%s", diff)
	}
}

func TestGaugesCountJobsAndQuarantine(t *testing.T) {
	t.Parallel()
	b, _ := referred(t)
	b.exec(`UPDATE river_job SET state = 'completed', finalized_at = now() WHERE kind = 'assess_patient'`)
	b.exec(`UPDATE river_job SET state = 'retryable' WHERE kind = 'write_back'`)
	b.exec(`INSERT INTO river_job (kind, args, max_attempts, state, finalized_at) VALUES ('daily_sweep', '{}', 25, 'discarded', now())`)
	if err := b.Store.Quarantine(t.Context(), Refused{Feed: "lab", Route: "/fhir", Body: []byte("x"), At: b.now}, 30); err != nil {
		t.Fatal(err)
	}
	g := b.gauges()
	want := []QueueCount{{"daily_sweep", "discarded", 1}, {"write_back", "retryable", 1}}
	if diff := cmp.Diff(want, g.Queue); diff != "" {
		t.Errorf("queue (-want +got):\n%s", diff)
	}
	if g.Quarantine != 1 {
		t.Errorf("%d entries in quarantine, want 1", g.Quarantine)
	}
}

func TestGaugesCountPullsThatWait(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/p", "a", "1", evidence), item("Procedure/q", "b", "1", evidence))
	b.exec(`UPDATE river_job SET created_at = now() - interval '2 hours' WHERE kind = 'pull_context' AND args->>'person' = $1`, person("a"))
	b.exec(`UPDATE river_job SET created_at = now() - interval '1 hour' WHERE kind = 'pull_context' AND args->>'person' = $1`, person("b"))
	want := func(number int, oldest time.Duration) {
		t.Helper()
		if g := b.gauges(); g.Pulls != number || g.OldestPull < oldest || g.OldestPull > oldest+time.Minute {
			t.Errorf("%d pulls wait, the oldest for %s, want %d and %s", g.Pulls, g.OldestPull, number, oldest)
		}
	}
	want(2, 2*time.Hour)
	// A job that was given up still tells since when.
	b.exec(`UPDATE river_job SET state = 'discarded', finalized_at = now() WHERE kind = 'pull_context' AND args->>'person' = $1`, person("a"))
	if _, err := b.EnqueuePulls(t.Context()); err != nil {
		t.Fatal(err)
	}
	want(2, 2*time.Hour)
	if err := b.MarkPulled(t.Context(), person("a"), 1, nil); err != nil {
		t.Fatal(err)
	}
	want(1, time.Hour)
	// New evidence asks again: it waits since then.
	b.take(item("Device/d", "a", "1", evidence))
	if err := b.MarkPulled(t.Context(), person("b"), 1, nil); err != nil {
		t.Fatal(err)
	}
	want(1, 0)
}
