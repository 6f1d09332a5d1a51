package assess

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
)

// TestNewestDependsOnNoOrder: copies that tell a time, a number, both or neither give one answer in every order.
func TestNewestDependsOnNoOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var copies []chart.Entry
		for n := range rapid.IntRange(1, 5).Draw(t, "copies") {
			r := fhir.Resource{Type: "Procedure", ID: "p", Raw: fmt.Appendf(nil, `{"n":%d,"status":%q}`, n, rapid.SampledFrom([]string{"completed", "entered-in-error"}).Draw(t, "status"))}
			r.VersionID = rapid.SampledFrom([]string{"", "1", "2", "10", "x"}).Draw(t, "version")
			if hour := rapid.IntRange(0, 3).Draw(t, "hour"); hour > 0 {
				r.LastUpdated = time.Date(2026, 1, 1, hour, 0, 0, 0, time.UTC)
			}
			copies = append(copies, chart.Entry{Resource: r})
		}
		want := newest(copies)
		got := newest(rapid.Permutation(slices.Clone(copies)).Draw(t, "order"))
		if len(got) != 1 || string(got[0].Raw) != string(want[0].Raw) {
			t.Fatalf("%s in one order, %s in another", want[0].Raw, got[0].Raw)
		}
		for _, c := range copies {
			if older(want[0], c) && !slices.ContainsFunc(copies, func(d chart.Entry) bool { return older(c, d) }) {
				t.Fatalf("%s is kept although %s is newer", want[0].Raw, c.Raw)
			}
		}
	})
}

// TestRankPrefersWhatIsAlive: a Task called an error, or of a status nobody knows, never hides one that people work on.
func TestRankPrefersWhatIsAlive(t *testing.T) {
	t.Parallel()
	for _, dead := range []string{"entered-in-error", "cancelled", "rejected", "", "bogus"} {
		for _, alive := range []string{"in-progress", "accepted", "draft"} {
			if rank(dead) <= rank(alive) {
				t.Errorf("%q hides %q", dead, alive)
			}
		}
	}
}
