package compose_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
)

// revisionsOf names the revisions that a document keeps.
func revisionsOf(d compose.Document) string {
	out := ""
	for _, s := range d.Earlier {
		out += fmt.Sprintf("%d.%d ", s.Referral.Round, s.Referral.Revision)
	}
	return out
}

// next gives the document that follows one, as the worker makes it.
func next(t *testing.T, d compose.Document, held string, change func(*draft.Referral)) compose.Document {
	t.Helper()
	out := compose.Document{Assessment: d.Assessment, Referral: d.Referral, Earlier: d.Followed(holding(held))}
	change(&out.Referral)
	body, err := json.Marshal(out)
	if err != nil {
		t.Fatal(err)
	}
	var read compose.Document
	if err := json.Unmarshal(body, &read); err != nil {
		t.Fatal(err)
	}
	return read
}

func holding(held string) func(draft.Referral) bool {
	return func(r draft.Referral) bool { return held == fmt.Sprintf("%d.%d", r.Round, r.Revision) }
}

func revised(r *draft.Referral) { r.Revision++ }

// TestEarlierRevisionsAreKept: from the newest one that the record was seen to hold on, each once, and none of those in which
// nothing was to be written.
func TestEarlierRevisionsAreKept(t *testing.T) {
	t.Parallel()
	first := referralFor("refer")
	second := next(t, first, "", revised)
	third := next(t, second, "1.1", revised) // 1.2 may be on its way
	if got := revisionsOf(third); got != "1.1 1.2 " {
		t.Errorf("the third keeps %q", got)
	}
	fourth := next(t, third, "1.3", revised)
	if got := revisionsOf(fourth); got != "1.3 " {
		t.Errorf("the fourth keeps %q", got)
	}
	putBy := next(t, fourth, "1.4", func(r *draft.Referral) { r.Reason = draft.NotDue })
	if got := revisionsOf(putBy); got != "1.4 " {
		t.Errorf("put by it keeps %q", got)
	}
	again := next(t, putBy, "1.4", func(r *draft.Referral) { r.Reason, r.Round, r.Revision = draft.Wanted, 2, 1 })
	if got := revisionsOf(again); got != "1.4 " {
		t.Errorf("asked again it keeps %q", got)
	}
	if got := again.Before(holding("1.4")); got == nil || got.Referral.Reason != draft.Wanted {
		t.Errorf("before it stood %+v", got)
	}
	if got := again.Before(holding("1.3")); got != nil {
		t.Errorf("a revision that is not kept: %+v", got)
	}
	if got := again.Before(holding("2.1")); got != nil {
		t.Errorf("it is before itself: %+v", got)
	}
	many := first
	for range 40 {
		many = next(t, many, "", revised)
	}
	if n := len(many.Earlier); n != 20 || many.Earlier[19].Referral.Revision != 40 {
		t.Errorf("%d kept while nothing is written: %s", n, revisionsOf(many))
	}
}
