package postgres

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// discard ends all live jobs of a kind as River does after their last try.
func (b *bench) discard(kind string) {
	b.t.Helper()
	if _, err := b.pool.Exec(b.t.Context(), `UPDATE river_job SET state = 'discarded', finalized_at = now() WHERE kind = $1`, kind); err != nil {
		b.t.Fatal(err)
	}
}

// TestLostPullIsAskedAgain: a record away for longer than a job is tried must not leave the context pending for ever.
func TestLostPullIsAskedAgain(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/p", "a", "1", evidence))
	if n, err := b.EnqueuePulls(t.Context()); n != 0 || err != nil {
		t.Errorf("queued %d, %v; want none while a job is live", n, err)
	}
	b.discard("pull_context")
	if n, err := b.EnqueuePulls(t.Context()); n != 1 || err != nil {
		t.Errorf("queued %d, %v; want 1 for the lost job", n, err)
	}
	if err := b.MarkPulled(t.Context(), person("a"), 1, nil); err != nil {
		t.Fatal(err)
	}
	b.discard("pull_context")
	if n, err := b.EnqueuePulls(t.Context()); n != 0 || err != nil {
		t.Errorf("queued %d, %v; want none once pulled", n, err)
	}
}

// TestPersonsOfATimeWithoutRecordArePulled: who was first heard of without a configured record is not "pulled" when one
// comes, and is asked for.
func TestPersonsOfATimeWithoutRecordArePulled(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	if got := b.record("a").Context; got != ContextFeedsOnly {
		t.Fatalf("context %s, want %s", got, ContextFeedsOnly)
	}
	b.options.PullContext = true
	if got := b.record("a").Context; got != ContextPending {
		t.Errorf("context %s once a record is configured, want %s", got, ContextPending)
	}
	if n, err := b.EnqueuePulls(t.Context()); n != 1 || err != nil {
		t.Errorf("queued %d, %v; want 1", n, err)
	}
	if n, err := b.EnqueueUnwritten(t.Context()); n != 0 || err != nil {
		t.Errorf("queued %d write-backs, %v; want none before the context is read", n, err)
	}
}

// TestLostAssessmentIsFoundBehind: newer data without an assessment and without a job is found again.
func TestLostAssessmentIsFoundBehind(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	behind := func(want ...string) {
		t.Helper()
		got, err := b.Behind(t.Context(), "", 10)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); len(want)+len(got) > 0 && diff != "" {
			t.Errorf("behind (-want +got):\n%s", diff)
		}
	}
	behind()
	b.discard("assess_patient")
	behind(person("a"))
}

// TestLostErasureIsQueuedAgain: a lost job must not keep a patient's data for good.
func TestLostErasureIsQueuedAgain(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	a.EvidenceGone, a.EraseAfter = true, 48*time.Hour
	b.save(a)
	if n, err := b.EnqueueErasures(t.Context(), a.EraseAfter); n != 0 || err != nil {
		t.Errorf("queued %d, %v; want none while a job waits", n, err)
	}
	b.discard("erase_person")
	if n, err := b.EnqueueErasures(t.Context(), a.EraseAfter); n != 1 || err != nil {
		t.Errorf("queued %d, %v; want 1", n, err)
	}
	b.wantCount(1, `SELECT count(*) FROM river_job WHERE kind = 'erase_person' AND state = 'scheduled' AND scheduled_at > now() + '47 hours'`)
}

// TestWhatNeedsAttentionIsTriedAgain: once what was amiss in the record was put right, nobody need tell the service.
func TestWhatNeedsAttentionIsTriedAgain(t *testing.T) {
	t.Parallel()
	b, _ := referred(t)
	b.discard("write_back")
	for _, c := range []struct {
		hours, want int
	}{{1, 0}, {21, 1}} {
		if err := b.MarkAttention(t.Context(), "k", 1, "refused", time.Now().Add(-time.Duration(c.hours)*time.Hour)); err != nil {
			t.Fatal(err)
		}
		if n, err := b.EnqueueUnwritten(t.Context()); n != c.want || err != nil {
			t.Errorf("%d hours later: queued %d, %v; want %d", c.hours, n, err, c.want)
		}
	}
}

// TestLooksAtWhatWasWritten: what is open, or was written within a week, is looked at once in some hours, unless a job does.
func TestLooksAtWhatWasWritten(t *testing.T) {
	t.Parallel()
	b, a := referred(t)
	looks := func(name string, want int) {
		t.Helper()
		if n, err := b.EnqueueLooks(t.Context()); n != want || err != nil {
			t.Errorf("%s: queued %d, %v; want %d", name, n, err, want)
		}
	}
	run := func(sql string) {
		t.Helper()
		if _, err := b.Pool().Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	b.discard("write_back")
	looks("not written yet", 0)
	if err := b.MarkWritten(t.Context(), "k", 1, nil, b.now); err != nil {
		t.Fatal(err)
	}
	looks("just written", 0)
	run(`UPDATE referral SET looked_at = now() - interval '21 hours'`)
	looks("a day later", 1)
	looks("a job stands for it", 0)
	b.discard("write_back")
	if err := b.MarkLooked(t.Context(), "k"); err != nil {
		t.Fatal(err)
	}
	looks("just looked", 0)
	run(`UPDATE referral SET looked_at = now() - interval '21 hours', state = jsonb_set(state::jsonb, '{reason}', '"removed"')`)
	looks("closed lately", 1)
	b.discard("write_back")
	run(`UPDATE referral SET changed_at = now() - interval '8 days'`)
	looks("closed long ago", 0)

	// The record shows two open Tasks of the key.
	a.Referrals, a.Doubled = nil, []string{"k", "nobody's"}
	b.save(a)
	b.wantCount(1, `SELECT count(*) FROM river_job WHERE kind = 'write_back' AND state = 'available' AND (args->>'look')::boolean`)
}
