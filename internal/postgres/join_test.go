package postgres

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
)

// saveKeys keeps an assessment of a person with the given keys and a referral for each.
func (b *bench) saveKeys(person string, merged []filter.KnownKey, keys ...filter.KnownKey) {
	b.t.Helper()
	r, err := b.Record(b.t.Context(), person)
	if err != nil {
		b.t.Fatal(err)
	}
	basis, err := b.RegisterBasis(b.t.Context(), "basis", "default@1")
	if err != nil {
		b.t.Fatal(err)
	}
	a := Saved{Person: person, ChartVersion: r.ChartVersion, Basis: basis, AsOf: asOf(), DueOn: filter.MaxDay, Answer: []byte(`{}`), Keys: keys, Merged: merged}
	for _, k := range keys {
		a.Referrals = append(a.Referrals, SavedReferral{Referral: draft.Referral{Key: k.Key}, Document: []byte(`{}`), Changed: true})
	}
	if err := b.SaveAssessment(b.t.Context(), a); err != nil {
		b.t.Fatal(err)
	}
}

// keysOf lists the keys of a person, oldest first.
func (b *bench) keysOf(person string) []string {
	b.t.Helper()
	return query[string](b, `
		SELECT key || coalesce(' in ' || merged_into, '') || CASE WHEN EXISTS (SELECT FROM referral r WHERE r.key = k.key AND r.person_id = k.person_id) THEN ' asked' ELSE '' END
		FROM filter_key k WHERE person_id = $1 ORDER BY born`, person)
}

// TestMergedPatientsKeepTheirKeys: the keys and referrals of both stay known, oldest first; when the merge is taken back each
// goes back to whom its evidence is about, and the key that had been merged is a key again.
func TestMergedPatientsKeepTheirKeys(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/pa", "a", "1", evidence), item("Procedure/pb", "b", "1", evidence))
	low, high := "a", "b"
	if person("b") < person("a") {
		low, high = "b", "a"
	}
	// The one who will end has the older key.
	b.saveKeys(person(high), nil, filter.KnownKey{Key: "old", Evidence: []string{"Procedure/p" + high}})
	b.saveKeys(person(low), nil, filter.KnownKey{Key: "young", Evidence: []string{"Procedure/p" + low}})
	before := len(b.jobs("pull_context"))

	b.take(item("Patient/a", "a", "1", linking("b")))
	b.wantChart(low, 2, "Patient/a v1", "Procedure/pa v1", "Procedure/pb v1")
	if _, err := b.Record(t.Context(), person(high)); err == nil {
		t.Error("the person with the higher id is still here")
	}
	if diff := cmp.Diff([]string{"old asked", "young asked"}, b.keysOf(person(low))); diff != "" {
		t.Errorf("keys (-want +got):\n%s", diff)
	}
	if got := b.record(low).Keys; len(got) != 2 || got[0].Key != "old" {
		t.Errorf("known keys %v, want the oldest first", got)
	}
	if now := len(b.jobs("pull_context")); now != before+1 {
		t.Errorf("%d further context pulls, want one", now-before)
	}
	b.saveKeys(person(low), []filter.KnownKey{{Key: "young", Into: "old"}}, filter.KnownKey{Key: "old", Evidence: []string{"Procedure/pa", "Procedure/pb"}})
	if diff := cmp.Diff([]string{"old asked", "young in old asked"}, b.keysOf(person(low))); diff != "" {
		t.Errorf("keys of one filter (-want +got):\n%s", diff)
	}

	b.take(item("Patient/a", "a", "2"))
	// What the merged key brought along is not what the other stood on by itself.
	for who, want := range map[string][]string{low: {"young asked"}, high: {"old asked"}} {
		if diff := cmp.Diff(want, b.keysOf(person(who))); diff != "" {
			t.Errorf("keys of %s (-want +got):\n%s", who, diff)
		}
	}
	if got := b.chart(high); !slices.Contains(got, "Procedure/p"+high+" v1") {
		t.Errorf("the one who was split off has %v", got)
	}
	b.wantJobPerVersionOfAllHere()
}

// wantJobPerVersionOfAllHere is wantJobPerVersion without the jobs of persons who are gone.
func (b *bench) wantJobPerVersionOfAllHere() {
	b.t.Helper()
	lost := query[string](b, `
		SELECT id::text || ' ' || v FROM person, generate_series(1, chart_version) AS v
		EXCEPT SELECT (args->>'person') || ' ' || (args->>'version') FROM river_job WHERE kind = 'assess_patient'`)
	if len(lost) > 0 {
		b.t.Errorf("chart versions without a job: %v", lost)
	}
}

// TestSplitTakesKeysAlong: what stood on the entries of one patient only goes with them, and is no longer part of another.
func TestSplitTakesKeysAlong(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/pa", "a", "1", evidence), item("Patient/a", "a", "1", linking("b")), item("Procedure/pb", "b", "1", evidence))
	b.saveKeys(person("a"), nil, filter.KnownKey{Key: "first", Evidence: []string{"Procedure/pa"}}, filter.KnownKey{Key: "second", Evidence: []string{"Procedure/pb"}})
	b.saveKeys(person("a"), []filter.KnownKey{{Key: "second", Into: "first"}}, filter.KnownKey{Key: "first", Evidence: []string{"Procedure/pa"}})
	b.take(item("Patient/a", "a", "2"))
	for who, want := range map[string][]string{"a": {"first asked"}, "b": {"second asked"}} {
		if diff := cmp.Diff(want, b.keysOf(person(who))); diff != "" {
			t.Errorf("keys of %s (-want +got):\n%s", who, diff)
		}
	}
	b.wantChart("a", 2, "Patient/a v2", "Procedure/pa v1")
	b.wantChart("b", 1, "Procedure/pb v1")
	// Nothing is left of an alias of whom nothing was ever told.
	b.take(item("Patient/a", "a", "3", linking("c")))
	b.take(item("Patient/a", "a", "4"))
	b.wantCount(0, `SELECT count(*) FROM person_alias WHERE patient_id = 'c'`)
	b.wantJobPerVersionOfAllHere()
}

// TestSplitKeysGoWhereTheirTasksAre: a key that stands on entries of both, as one that was born while they were one person, or on
// nothing that is left, goes with the patient whom its Task is for, and stays where its Task is for neither.
func TestSplitKeysGoWhereTheirTasksAre(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/pa", "a", "1", evidence), item("Patient/a", "a", "1", linking("b")), item("Procedure/pb", "b", "1", evidence))
	both, neither := []string{"Procedure/pa", "Procedure/pb"}, []string{"Procedure/gone"}
	b.saveKeys(person("a"), nil, filter.KnownKey{Key: "both, for b", Evidence: both}, filter.KnownKey{Key: "both, for a", Evidence: both}, filter.KnownKey{Key: "both", Evidence: both},
		filter.KnownKey{Key: "neither, for b", Evidence: neither}, filter.KnownKey{Key: "neither, for a", Evidence: neither})
	for _, who := range []string{"a", "b"} {
		if _, err := b.Pool().Exec(t.Context(), `UPDATE referral SET state = jsonb_set(state::jsonb, '{patient}', to_jsonb('Patient/' || $1::text)) WHERE key LIKE '%, for ' || $1`, who); err != nil {
			t.Fatal(err)
		}
	}
	b.take(item("Patient/a", "a", "2"))
	for who, want := range map[string][]string{"a": {"both, for a asked", "both asked", "neither, for a asked"}, "b": {"both, for b asked", "neither, for b asked"}} {
		if diff := cmp.Diff(want, b.keysOf(person(who))); diff != "" {
			t.Errorf("keys of %s (-want +got):\n%s", who, diff)
		}
	}
}

// TestSplitKeyWithNothingElseLeft: what a merged key brought along counts for the one that was kept where nothing of its own is left.
func TestSplitKeyWithNothingElseLeft(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/pa", "a", "1", evidence), item("Patient/a", "a", "1", linking("b")), item("Procedure/pb", "b", "1", evidence))
	b.saveKeys(person("a"), nil, filter.KnownKey{Key: "first", Evidence: []string{"Procedure/gone"}}, filter.KnownKey{Key: "second", Evidence: []string{"Procedure/pb"}})
	b.saveKeys(person("a"), []filter.KnownKey{{Key: "second", Into: "first"}}, filter.KnownKey{Key: "first", Evidence: []string{"Procedure/pb"}})
	b.take(item("Patient/a", "a", "2"))
	if diff := cmp.Diff([]string{"first asked", "second in first asked"}, b.keysOf(person("b"))); diff != "" {
		t.Errorf("keys (-want +got):\n%s", diff)
	}
}

// TestMergesAtOnce: several calls that join the same patients in opposite ways end with one person and no lost entry.
func TestMergesAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	ids := []string{"a", "b", "c", "d"}
	for _, id := range ids {
		b.take(item("Procedure/p"+id, id, "1", evidence))
	}
	done := make(chan error)
	for n, id := range ids {
		next := ids[(n+1)%len(ids)]
		for _, items := range [][]screen.Item{{item("Patient/"+id, id, "1", linking(next))}, {item("Procedure/q"+id, id, "1", evidence), item("Procedure/q"+next, next, "1", evidence)}} {
			go func() {
				_, err := b.Accept(t.Context(), items, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC))
				done <- err
			}()
		}
	}
	for range 2 * len(ids) {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	b.wantCount(1, `SELECT count(*) FROM person`)
	b.wantCount(1, `SELECT count(DISTINCT person_id) FROM person_alias`)
	b.wantCount(12, `SELECT count(*) FROM resource WHERE current AND person_id IS NOT NULL`)
	b.wantJobPerVersionOfAllHere()
}
