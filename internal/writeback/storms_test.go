package writeback_test

import (
	"context"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/peertest"

	"pgregory.net/rapid"
)

// With each bad habit that real servers were seen to have, several convergers leave one open Task and one current document
// for each of up to twelve filters, also when a third of the referrals is revised and a third closed while the habit is on; and
// they change nothing of others.
func TestStorms(t *testing.T) {
	t.Parallel()
	elsewhere, visits := newElsewhere(t)
	t.Cleanup(func() {
		if n := visits.Load(); n != 0 {
			t.Errorf("%d requests went to another host", n)
		}
	})
	clinics := make(chan *clinic, 2)
	for range cap(clinics) {
		clinics <- newClinic(t)
	}
	for _, tt := range []struct {
		name    string
		habits  map[string]any
		filters int
		// strangers is how many entries of others of each type the record holds; a first answer has 100 at most.
		strangers int
		// blind: copies may stand that nobody can see, until the habit ends and the referral is written once more.
		blind bool
		// copies: the habit must have led to surplus copies, or this tests nothing.
		copies bool
	}{
		{"409 storm", map[string]any{"conflictEvery": 2}, 12, 3, false, false},
		{"409 storm without transactions", map[string]any{"conflictEvery": 2, "noTransactions": true}, 6, 3, false, false},
		{"ifNoneExist doubles", map[string]any{"ignoreIfNoneExist": true}, 12, 3, false, false},
		{"ifNoneExist doubles and replies are lost", map[string]any{"ignoreIfNoneExist": true, "dropReplies": 3}, 6, 3, false, false},
		{"If-Match ignored", map[string]any{"ignoreIfMatch": true}, 6, 3, false, false},
		{"at most one conditional entry", map[string]any{"maxConditional": 1}, 6, 3, false, false},
		{"a transaction as a batch", map[string]any{"transactionsAsBatch": "resolved", "entryFailsEvery": 4}, 6, 3, false, false},
		{"a transaction as a batch, references unresolved", map[string]any{"transactionsAsBatch": "unresolved", "entryFailsEvery": 5, "dropReplies": 7}, 6, 3, false, false},
		{"no transactions", map[string]any{"noTransactions": true}, 6, 3, false, false},
		{"replies lost", map[string]any{"dropReplies": 3}, 12, 3, false, false},
		{"answers cut", map[string]any{"cutReplies": map[string]any{"every": 3, "bytes": 40}, "cutReads": map[string]any{"every": 4, "bytes": 200}}, 6, 3, false, false},
		{"429", map[string]any{"tooManyEvery": 12}, 6, 3, false, false},
		{"401", map[string]any{"unauthorizedEvery": 4}, 6, 3, false, false},
		{"tokens that wear out", map[string]any{"tokenLives": 5}, 6, 3, false, false},
		{"next links to another host", map[string]any{"foreignNext": map[string]any{"size": 1, "base": elsewhere}}, 6, 3, false, false},
		{"parameters ignored", map[string]any{"ignoreParameters": true}, 6, 20, false, false},
		{"parameters ignored among many", map[string]any{"ignoreParameters": true, "dropReplies": 3}, 4, 110, false, false},
		{"the first searches find nothing", map[string]any{"emptyFirst": 25, "dropReplies": 4}, 6, 3, false, false},
		{"searches find nothing", map[string]any{"emptyEvery": 1, "conflictEvery": 5}, 6, 3, false, false},
		{"searches find nothing and ifNoneExist doubles", map[string]any{"emptyEvery": 1, "ignoreIfNoneExist": true, "conflictEvery": 5}, 6, 3, false, false},
		{"searches find nothing, ifNoneExist doubles, replies are lost",
			map[string]any{"emptyEvery": 1, "ignoreIfNoneExist": true, "dropReplies": 4}, 12, 3, true, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			c := <-clinics
			defer func() { clinics <- c }()
			s := newStorm(t, c, tt.filters, tt.strangers)
			s.peer.Habits(t, tt.habits)
			s.write(t.Context())
			for i, f := range s.filters {
				if i%3 > 0 {
					s.want(f, []func(*compose.Document){1: revise, 2: closeIt}[i%3])
				}
			}
			s.write(t.Context())
			surplus, faults := s.check()
			if !tt.blind {
				for _, f := range faults {
					t.Errorf("while the habit is on: %s", f)
				}
			}
			requests := s.peer.Log(t).Requests
			fired := s.calm()
			after, faults := s.check()
			for _, f := range faults {
				t.Errorf("after it: %s", f)
			}
			for name := range tt.habits {
				if fired[name] == 0 {
					t.Errorf("%s never struck: %v", name, fired)
				}
			}
			lost := fired["dropReplies"] + fired["cutReplies"]
			if tt.copies != (after > 0) && (tt.copies || lost == 0) {
				t.Errorf("%d surplus copies, %d lost replies", after, lost) // what was answered is never made twice
			}
			tries := s.tally.tries.Load()
			searches := requests["POST"]["Task/_search"] + requests["POST"]["DocumentReference/_search"] + requests["POST"]["Provenance/_search"] +
				requests["GET"]["Task"] + requests["GET"]["DocumentReference"] + requests["GET"]["Provenance"]
			if int64(searches) > 40*tries {
				t.Errorf("%d searches and reads in %d tries", searches, tries)
			}
			t.Logf("%v; %d tries, %d unknown outcomes, %d new tokens, %d searches and reads, surplus copies retired: %d during, %d after",
				fired, tries, s.tally.unknown.Load(), s.tally.tokens.Load(), searches, surplus, after)
		})
	}
}

func TestHabitsAtTheWorstMoment(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	t.Run("If-Match ignored", func(t *testing.T) { keepsWhatPeopleChange(t, peer) })
	t.Run("searches find nothing", func(t *testing.T) { leavesReceipts(t, peer) })
}

// What people change between our look and our write is kept, even where the record ignores If-Match.
func keepsWhatPeopleChange(t *testing.T, peer *peertest.Peer) {
	peer.Habits(t, map[string]any{"ignoreIfMatch": true})
	for name, change := range map[string]func(*compose.Document){"a revision": revise, "a closing": closeIt} {
		b := newBench(t, peer, "")
		b.converge()
		b.want(change)
		meddled := false
		b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
			if typ == "DocumentReference" && !meddled { // the Task has been looked at by then
				meddled = true
				b.byOthers(b.only("Task"), map[string]any{"status": "accepted", "note.0.text": "meanwhile"})
			}
			return hits
		}
		b.converge()
		if task := b.only("Task"); !meddled || get(task, "status") != "accepted" || get(task, "note.0.text") != "meanwhile" {
			t.Errorf("%s: %s", name, task)
		}
	}
	if peer.Log(t).Fired["ignoreIfMatch"] == 0 {
		t.Error("the habit never struck")
	}
}

// What a run created before it came to grief is found by the next one, even where searches answer nothing and conditional
// creates always create: the receipts tell.
func leavesReceipts(t *testing.T, peer *peertest.Peer) {
	peer.Habits(t, map[string]any{"emptyEvery": 1, "ignoreIfNoneExist": true, "noTransactions": true})
	for _, at := range []string{"POST Task", "POST Provenance"} {
		b := newBench(t, peer, "")
		failures := 3
		b.record.onWrite = func(what string) error {
			if what == at && failures > 0 {
				failures--
				return refused(http.StatusServiceUnavailable)
			}
			return nil
		}
		for tries := 1; b.converger.Converge(t.Context(), b.key(), 1) != nil; tries++ {
			if b.store.wanted.WrittenVersion != 0 || tries == 10 {
				t.Fatalf("%s: written %d after %d tries", at, b.store.wanted.WrittenVersion, tries)
			}
		}
		for _, typ := range []string{"Task", "DocumentReference"} {
			n := 0
			for _, raw := range peer.Held(t, typ) {
				if strings.Contains(string(raw), b.key()) {
					n++
				}
			}
			if n != 1 {
				t.Errorf("after failures at %s: %d of type %s", at, n, typ)
			}
		}
	}
}

// newElsewhere is a server that must never be asked.
func newElsewhere(t *testing.T) (string, *atomic.Int64) {
	t.Helper()
	var visits atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { visits.Add(1) }))
	t.Cleanup(server.Close)
	return server.URL, &visits
}

// anyHabits draws a random set of bad habits with random parameters.
func anyHabits(t *rapid.T, elsewhere string) map[string]any {
	cut := func(name string) any {
		return map[string]any{"every": rapid.IntRange(1, 6).Draw(t, name+" every"), "bytes": rapid.IntRange(0, 400).Draw(t, name+" bytes")}
	}
	every := func(from, to int) func(string) any {
		return func(name string) any { return rapid.IntRange(from, to).Draw(t, name) }
	}
	on := func(string) any { return true }
	draws := map[string]func(name string) any{
		"unauthorizedEvery": every(2, 9), "tokenLives": every(1, 9), "tooManyEvery": every(2, 9), "noTransactions": on,
		"conflictEvery": every(1, 6), "maxConditional": every(1, 8), "ignoreIfNoneExist": on, "ignoreIfMatch": on,
		"transactionsAsBatch": func(name string) any { return rapid.SampledFrom([]string{"resolved", "unresolved"}).Draw(t, name) },
		"entryFailsEvery":     every(1, 6), "dropReplies": every(1, 6), "cutReplies": cut, "cutReads": cut,
		"foreignNext": func(name string) any {
			return map[string]any{"size": rapid.IntRange(1, 4).Draw(t, name), "base": elsewhere}
		},
		"ignoreParameters": on, "emptyFirst": every(1, 60), "emptyEvery": every(1, 5),
	}
	habits := map[string]any{}
	for _, name := range rapid.SliceOfNDistinct(rapid.SampledFrom(slices.Sorted(maps.Keys(draws))), 0, 6, rapid.ID).Draw(t, "habits") {
		habits[name] = draws[name](name)
	}
	return habits
}

// Whatever habits come together, and whenever what is wanted changes: once they have ended and each referral was looked at,
// one Task is open and one document current for each that is wanted, and nothing of others has changed.
func TestAnyStormSettles(t *testing.T) {
	t.Parallel()
	const (
		budget   = 6 * time.Second
		duration = 700 * time.Millisecond
	)
	elsewhere, visits := newElsewhere(t)
	c := newClinic(t)
	start, failed, storms := time.Now(), false, 0
	total := map[string]int{}
	surplus := 0
	rapid.Check(t, func(rt *rapid.T) {
		habits := anyHabits(rt, elsewhere)
		moments := rapid.SliceOfN(rapid.IntRange(0, int(duration/time.Millisecond)), 4, 4).Draw(rt, "moments")
		changes := rapid.SliceOfN(rapid.IntRange(0, 2), 4, 4).Draw(rt, "changes")
		strangers := rapid.SampledFrom([]int{0, 3, 30}).Draw(rt, "strangers")
		if !failed && time.Since(start) > budget {
			return
		}
		failed = true // until this one has gone well, so that a failure is tried again and made smaller
		storms++
		s := newStorm(rt, c, 4, strangers)
		s.peer.Habits(t, habits)
		ctx, stop := context.WithTimeout(t.Context(), duration)
		defer stop()
		done := make(chan struct{})
		go func() {
			defer close(done)
			for ctx.Err() == nil {
				s.write(ctx)
				_ = nap(ctx, 10*time.Millisecond)
			}
		}()
		began := time.Now()
		for _, i := range slices.SortedFunc(slices.Values([]int{0, 1, 2, 3}), func(a, b int) int { return moments[a] - moments[b] }) {
			_ = nap(t.Context(), time.Until(began.Add(time.Duration(moments[i])*time.Millisecond)))
			switch changes[i] {
			case 1:
				s.want(s.filters[i], revise)
			case 2:
				s.want(s.filters[i], closeIt)
			}
		}
		<-done
		for name, n := range s.calm() {
			total[name] += n
		}
		copies, faults := s.check()
		if len(faults) > 0 {
			rt.Fatalf("%v", faults)
		}
		surplus += copies
		failed = false
	})
	if n := visits.Load(); n != 0 {
		t.Errorf("%d requests went to another host", n)
	}
	if storms < 3 {
		t.Errorf("only %d storms", storms)
	}
	t.Logf("%d storms: %v, surplus copies retired: %d", storms, total, surplus)
}
