package postgres

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
)

// waits lists the jobs that are put off, and those that are due, as "kind: state".
func (b *bench) waits() map[string]int {
	b.t.Helper()
	rows, err := b.pool.Query(b.t.Context(), `
		SELECT kind || CASE WHEN scheduled_at > now() THEN ' later' ELSE ' due' END FROM river_job
		WHERE kind IN ('write_back', 'pull_context') AND state IN ('available', 'retryable', 'scheduled')`)
	if err != nil {
		b.t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		b.t.Fatal(err)
	}
	out := map[string]int{}
	for _, w := range list {
		out[w]++
	}
	return out
}

func TestResumeMakesDueWhatWaitsForTheToken(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		code    string // attention of the newest version
		written bool
		lost    bool // the job is gone
		want    map[string]int
	}{
		"unauthorised":                    {code: "unauthorised", want: map[string]int{"write_back due": 1}},
		"unauthorised, the job lost":      {code: "unauthorised", lost: true, want: map[string]int{"write_back due": 1}},
		"refused":                         {code: "refused", want: map[string]int{"write_back later": 1}},
		"refused, the job ended":          {code: "refused", lost: true, want: map[string]int{}},
		"nothing amiss":                   {want: map[string]int{"write_back later": 1}},
		"unauthorised before, is written": {code: "unauthorised", written: true, want: map[string]int{"write_back later": 1}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, _ := referred(t)
			b.exec(`UPDATE river_job SET state = 'scheduled', scheduled_at = now() + interval '15 minutes' WHERE kind = 'write_back'`)
			if c.lost {
				b.exec(`DELETE FROM river_job WHERE kind = 'write_back'`)
			}
			if c.code != "" {
				if err := b.MarkAttention(t.Context(), "k", 1, c.code, b.now); err != nil {
					t.Fatal(err)
				}
			}
			if c.written {
				b.exec(`UPDATE referral SET written_version = version`)
			}
			for range 2 { // again: changes nothing
				if err := b.Resume(t.Context(), "unauthorised"); err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(c.want, b.waits()); diff != "" {
					t.Errorf("jobs (-want +got):\n%s", diff)
				}
			}
		})
	}
}

func TestResumeMakesPullsDue(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/p", "a", "1", evidence))
	b.exec(`UPDATE river_job SET state = 'retryable', scheduled_at = now() + interval '9 minutes' WHERE kind = 'pull_context'`)
	if diff := cmp.Diff(map[string]int{"pull_context later": 1}, b.waits()); diff != "" {
		t.Fatalf("jobs before (-want +got):\n%s", diff)
	}
	if err := b.Resume(t.Context(), "unauthorised"); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[string]int{"pull_context due": 1}, b.waits()); diff != "" {
		t.Errorf("jobs (-want +got):\n%s", diff)
	}
}
