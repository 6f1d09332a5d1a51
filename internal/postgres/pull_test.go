package postgres

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

func TestContextIsPendingUntilPulled(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	wantContext := func(want string) {
		t.Helper()
		if got := b.record("a").Context; got != want {
			t.Errorf("context %s, want %s", got, want)
		}
	}
	pulled := func(version int64) {
		t.Helper()
		if err := b.MarkPulled(t.Context(), person("a"), version, nil); err != nil {
			t.Fatal(err)
		}
	}
	b.take(item("Procedure/p", "a", "1", evidence))
	wantContext(ContextPending)
	pulled(1)
	wantContext(ContextPulled)
	b.wantChart("a", 2, "Procedure/p v1")
	b.take(item("Observation/o", "a", "1"))
	b.take(item("Procedure/p", "a", "2", evidence))
	wantContext(ContextPulled) // neither is new evidence
	b.take(item("Device/d", "a", "1", evidence))
	wantContext(ContextPending)
	pulled(1) // again: changes nothing
	wantContext(ContextPending)
	b.take(item("Device/e", "a", "1", evidence))
	pulled(3) // and with it 2
	wantContext(ContextPulled)
	pulled(2)
	if got := b.record("a").ChartVersion; got != 7 {
		t.Errorf("chart version %d, want 7", got)
	}
	b.wantJobPerVersion()
	if err := b.MarkPulled(t.Context(), person("a"), 4, nil); !errors.Is(err, fault.Invalid) {
		t.Errorf("a pull nobody asked for: %v, want fault.Invalid", err)
	}
	if err := b.MarkPulled(t.Context(), person("nobody"), 1, nil); !errors.Is(err, fault.NotFound) {
		t.Errorf("a pull for nobody: %v, want fault.NotFound", err)
	}
}

// TestGapsOfTheNewestPull: a later pull that could read everything takes the earlier gaps away.
func TestGapsOfTheNewestPull(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/p", "a", "1", evidence))
	want := []Gap{{"Condition", GapForbidden}, {"Observation", GapCut}}
	if err := b.MarkPulled(t.Context(), person("a"), 1, want); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, b.record("a").Gaps); diff != "" {
		t.Errorf("gaps (-want +got):\n%s", diff)
	}
	b.take(item("Device/d", "a", "1", evidence))
	if err := b.MarkPulled(t.Context(), person("a"), 2, nil); err != nil {
		t.Fatal(err)
	}
	if got := b.record("a").Gaps; len(got) != 0 {
		t.Errorf("gaps %v after a whole pull, want none", got)
	}
}

func TestPullPlan(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/d", "Encounter/e", "Practitioner/here")),
		item("Practitioner/here", "", "1"), item("Device/d", "", "1", naming("Organization/o")))
	b.take(item("Observation/gone", "a", "1"), item("Condition/c", "a", "1", naming("Observation/gone")))
	b.take(item("Observation/gone", "", "2", deleted))
	got, err := b.PullPlan(t.Context(), person("a"))
	if err != nil {
		t.Fatal(err)
	}
	want := Pull{Aliases: []Alias{{DefaultFeed, "a"}}, Wanted: 1, Unresolved: []string{"Encounter/e", "Organization/o"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("plan (-want +got):\n%s", diff)
	}
	if _, err := b.PullPlan(t.Context(), person("nobody")); !errors.Is(err, fault.NotFound) {
		t.Errorf("plan for nobody: %v, want fault.NotFound", err)
	}
}

func TestSweepPages(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	b.save(a) // a is due in 30 days, on basis 2
	for n := range 5 {
		b.take(item(fmt.Sprintf("Procedure/n%d", n), fmt.Sprintf("n%d", n), "1", evidence))
	}
	all := set{}
	for n := range 5 {
		all.add(person(fmt.Sprintf("n%d", n)))
	}
	page := func(next func(after string) ([]string, error)) []string {
		t.Helper()
		var list []string
		for after := ""; ; after = list[len(list)-1] {
			got, err := next(after)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) == 0 {
				return list
			}
			list = append(list, got...)
		}
	}
	due := func(day filter.Day) []string {
		return page(func(after string) ([]string, error) { return b.Due(t.Context(), day, after, 2) })
	}
	if diff := cmp.Diff(all.sorted(), due(asOf())); diff != "" { // never assessed
		t.Errorf("due (-want +got):\n%s", diff)
	}
	below := func(basis int64) []string {
		return page(func(after string) ([]string, error) { return b.FollowedBelowBasis(t.Context(), basis, after, 2) })
	}
	if diff := cmp.Diff(all.sorted(), below(2)); diff != "" {
		t.Errorf("below basis 2 (-want +got):\n%s", diff)
	}
	all.add(person("a"))
	if diff := cmp.Diff(all.sorted(), due(asOf().Add(30))); diff != "" {
		t.Errorf("due in 30 days (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(all.sorted(), below(3)); diff != "" {
		t.Errorf("below basis 3 (-want +got):\n%s", diff)
	}
	a.DueOn, a.AsOf = filter.MaxDay, a.AsOf+1
	b.save(a)
	if got := due(asOf().Add(100000)); len(got) != 5 {
		t.Errorf("%d persons due far in the future, want the 5 who may ever be", len(got))
	}
}

func TestEnqueueAssess(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	b.take(item("Procedure/p", "a", "2", evidence))
	if err := b.EnqueueAssess(t.Context(), []string{person("a"), person("nobody")}, asOf(), 7); err != nil {
		t.Fatal(err)
	}
	if err := b.EnqueueAssess(t.Context(), []string{person("a")}, filter.MinDay, 8); err != nil {
		t.Fatal(err)
	}
	got := b.jobs("assess_patient")
	want := []string{
		fmt.Sprintf(`{"person":%q,"version":2,"day":"2026-03-02","basis":7}`, person("a")),
		fmt.Sprintf(`{"person":%q,"version":2,"basis":8}`, person("a"))}
	if len(got) != 4 || !sameJSON(t, got[2], want[0]) || !sameJSON(t, got[3], want[1]) {
		t.Errorf("jobs %v, want two of data and %v", got, want)
	}
}

// TestSweepReadsOnlyWhoIsDue looks at the plan of the query that Due runs, with many persons of whom few are due.
func TestSweepReadsOnlyWhoIsDue(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for _, sql := range []string{
		`INSERT INTO person (id, due_on) SELECT gen_random_uuid(), '2026-01-01'::date + n / 20 FROM generate_series(1, 20000) AS n`,
		`ANALYZE person`,
	} {
		if _, err := b.pool.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	plan := strings.Join(query[string](b, `EXPLAIN WITH due AS MATERIALIZED (SELECT id FROM person WHERE followed AND due_on <= '2026-01-03')
		SELECT id::text FROM due WHERE id > '00000000-0000-0000-0000-000000000000' ORDER BY id LIMIT 100`), "\n")
	if !strings.Contains(plan, "person_due") || strings.Contains(plan, "Seq Scan") {
		t.Errorf("the sweep does not use its index:\n%s", plan)
	}
	got, err := b.Due(t.Context(), filter.NewDay(2026, 1, 3), "", 100)
	if err != nil || len(got) != 59 {
		t.Errorf("%d due, %v; want 59", len(got), err)
	}
}
