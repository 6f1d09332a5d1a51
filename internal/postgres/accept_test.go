package postgres

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/jobs"
	"dwellwatch/internal/screen"
)

func TestNobodyIsStoredWithoutEvidence(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.wantTake([]screen.Item{item("Patient/a", "a", "1"), item("Observation/o", "a", "1"), item("Location/l", "", "1")},
		screen.Dropped, screen.Dropped, screen.Dropped)
	b.wantCount(0, `SELECT count(*) FROM person`)
	b.wantCount(0, `SELECT count(*) FROM resource`)
	b.wantCount(0, `SELECT count(*) FROM river_job`)
}

func TestWholeCallOfAPatientWithEvidenceIsKept(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.wantTake([]screen.Item{
		item("Location/l", "", "1"), // named by a procedure that stands behind it
		item("Patient/a", "a", "1"),
		item("Observation/other", "b", "1"),
		item("Procedure/p", "a", "1", evidence, naming("Location/l")),
		item("Observation/o", "a", "1"),
	}, screen.Created, screen.Created, screen.Dropped, screen.Created, screen.Created)
	b.wantChart("a", 1, "Location/l v1", "Observation/o v1", "Patient/a v1", "Procedure/p v1")
	b.wantJobPerVersion()
	if diff := cmp.Diff([]string{fmt.Sprintf(`{"person": %q, "version": 1}`, person("a"))}, b.jobs(jobs.PullContext{}.Kind())); diff != "" {
		t.Errorf("context pulls (-want +got):\n%s", diff)
	}
}

func TestOfAFollowedPatientEverythingIsKept(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	b.wantTake([]screen.Item{item("Observation/o", "a", "1"), item("Procedure/p", "a", "1", evidence), item("Observation/x", "b", "1")},
		screen.Created, screen.Duplicate, screen.Dropped)
	b.wantChart("a", 2, "Observation/o v1", "Procedure/p v1")
	b.wantTake([]screen.Item{item("Procedure/p", "a", "1", evidence)}, screen.Duplicate)
	b.wantChart("a", 2, "Observation/o v1", "Procedure/p v1")
	b.wantJobPerVersion()
	b.wantCount(0, `SELECT count(*) FROM river_job WHERE kind = 'pull_context'`)
}

func TestTheSamePatientIDOfAnotherFeedIsSomebodyElse(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	b.wantTake([]screen.Item{item("Observation/o", "a", "1", func(i *screen.Item) { i.Feed = "lab" })}, screen.Dropped)
}

func TestVersionsAreKeptAndOnlyTheNewestCounts(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Procedure/p", "a", "3", evidence)}, screen.Created)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "2", evidence)}, screen.Stale)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "2", evidence)}, screen.Duplicate)
	b.wantChart("a", 1, "Procedure/p v3")
	b.wantTake([]screen.Item{item("Procedure/p", "a", "5", evidence), item("Procedure/p", "a", "4", evidence)}, screen.Updated, screen.Stale)
	b.wantChart("a", 2, "Procedure/p v5")
	b.wantCount(4, `SELECT count(*) FROM resource`)
	b.wantCount(1, `SELECT count(*) FROM resource WHERE current`)
	b.wantJobPerVersion()
}

func TestOutcomeTellsOurVersion(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	got, err := b.Accept(t.Context(), []screen.Item{
		item("Procedure/p", "a", "2", evidence), item("Procedure/p", "a", "1", evidence), item("Procedure/p", "a", "7", evidence),
		item("Procedure/p", "a", "2", evidence), item("Observation/o", "b", "1"),
	}, b.now)
	if err != nil {
		t.Fatal(err)
	}
	want := []screen.Outcome{{Fate: screen.Created, Version: 1}, {Fate: screen.Stale, Version: 2}, {Fate: screen.Updated, Version: 3},
		{Fate: screen.Duplicate, Version: 1}, {Fate: screen.Dropped}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("outcomes (-want +got):\n%s", diff)
	}
}

func TestBytesComeBackAsReceived(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for n, raw := range []string{
		`{"v":1.0E2, "a":1,"a":2}`, `{"a":"\u0000"}`, `{"a":"\ud800"}`, `{"a":1e999999}`, `{"a":"` + "\xff" + `"}`, `not json`,
		strings.Repeat("[", 9000) + strings.Repeat("]", 9000), `{"a":"\ud83d\ude00 \"}{"}`,
	} {
		i := item(fmt.Sprintf("Procedure/p%d", n), "a", "1", evidence)
		i.Resource.Raw = []byte(raw)
		b.wantTake([]screen.Item{i}, screen.Created)
		if diff := cmp.Diff(raw, string(b.record("a").Resources[n].Resource.Raw)); diff != "" {
			t.Errorf("bytes (-want +got):\n%s", diff)
		}
	}
	b.wantCount(1, `SELECT count(doc) FROM resource`) // the first; jsonb refuses or may refuse the others
}

func TestTimesKeepMicroseconds(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	at := time.Date(2026, 1, 2, 3, 4, 5, 123456789, time.FixedZone("", 3600))
	i := item("Procedure/p", "a", "", evidence, func(i *screen.Item) { i.Resource.LastUpdated = at })
	b.wantTake([]screen.Item{i}, screen.Created)
	b.wantTake([]screen.Item{i}, screen.Duplicate)
	want := fhir.Resource{Type: "Procedure", ID: "p", LastUpdated: at.Truncate(time.Microsecond).UTC(), Raw: i.Resource.Raw}
	if diff := cmp.Diff([]Stored{{Feed: DefaultFeed, Resource: want}}, b.record("a").Resources); diff != "" {
		t.Errorf("resources (-want +got):\n%s", diff)
	}
}

func TestItemWithoutIdentityIsInvalidAndNothingIsKept(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	_, err := b.Accept(t.Context(), []screen.Item{item("Procedure/p", "a", "1", evidence), item("Procedure/", "a", "1")}, b.now)
	if !errors.Is(err, fault.Invalid) {
		t.Errorf("error %v, want fault.Invalid", err)
	}
	b.wantCount(0, `SELECT count(*) FROM person`)
}

func TestTwoHundredFirstDeliveriesAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	var group errgroup.Group
	for n := range 200 {
		group.Go(func() error {
			got, err := b.Accept(t.Context(), []screen.Item{item(fmt.Sprintf("Procedure/p%d", n), "a", "1", evidence)}, b.now)
			if err == nil && got[0].Fate != screen.Created {
				err = fmt.Errorf("fate %s", got[0].Fate)
			}
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	r := b.record("a")
	if r.ChartVersion != 200 || len(r.Resources) != 200 {
		t.Errorf("chart version %d with %d resources, want 200 and 200", r.ChartVersion, len(r.Resources))
	}
	b.wantCount(1, `SELECT count(*) FROM person`)
	b.wantJobPerVersion()
	b.wantCount(200, `SELECT count(DISTINCT (args->>'version')) FROM river_job WHERE kind = 'pull_context'`)
}

func TestTwoHundredDeliveriesOfOneResourceAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	var group errgroup.Group
	for _, n := range rand.Perm(200) {
		group.Go(func() error {
			_, err := b.Accept(t.Context(), []screen.Item{item("Procedure/p", "a", fmt.Sprint(n/2+1), evidence)}, b.now)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"Procedure/p v100"}, b.chart("a")); diff != "" {
		t.Errorf("chart (-want +got):\n%s", diff)
	}
	b.wantCount(100, `SELECT count(*) FROM resource`)
	b.wantJobPerVersion()
}

// TestManyPersonsPerCallAtOnce mixes calls about overlapping sets of persons, devices without patient and removals in
// random order: no call may fail, and each version has its job.
func TestManyPersonsPerCallAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	var group errgroup.Group
	for n := range 60 {
		group.Go(func() error {
			var items []screen.Item
			for _, p := range rand.Perm(8) {
				patient := fmt.Sprintf("a%d", p)
				items = append(items, item("Procedure/p"+patient, patient, fmt.Sprint(n+1), evidence, naming(fmt.Sprintf("Device/d%d", p%3))))
			}
			items = append(items, item(fmt.Sprintf("Device/d%d", n%3), "", fmt.Sprint(n+1), holdable))
			rand.Shuffle(len(items), func(x, y int) { items[x], items[y] = items[y], items[x] })
			_, err := b.Accept(t.Context(), items, b.now)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	for p := range 8 {
		patient := fmt.Sprintf("a%d", p)
		want := []string{fmt.Sprintf("Device/d%d v%d", p%3, 58+p%3), "Procedure/p" + patient + " v60"}
		if diff := cmp.Diff(want, b.chart(patient)); diff != "" {
			t.Errorf("chart of %s (-want +got):\n%s", patient, diff)
		}
	}
	b.wantJobPerVersion()
}

func TestJobAndDataShareATransaction(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	// Whoever cannot queue the job must not keep the data either.
	const refuse = `ALTER TABLE river_job ADD CONSTRAINT closed CHECK (kind <> 'assess_patient') NOT VALID`
	if _, err := b.pool.Exec(t.Context(), refuse); err != nil {
		t.Fatal(err)
	}
	items := []screen.Item{item("Procedure/p", "a", "1", evidence), item("Device/d", "", "2", deleted)}
	if _, err := b.Accept(t.Context(), items, b.now); err == nil {
		t.Fatal("Accept succeeded although its job was refused")
	} else if strings.Contains(err.Error(), person("a")) {
		t.Errorf("the error names a person: %v", err)
	}
	for _, table := range []string{"person", "person_alias", "resource", "retraction", "river_job"} {
		b.wantCount(0, `SELECT count(*) FROM `+pgx.Identifier{table}.Sanitize())
	}
	if _, err := b.pool.Exec(t.Context(), `ALTER TABLE river_job DROP CONSTRAINT closed`); err != nil {
		t.Fatal(err)
	}
	b.wantTake(items, screen.Created, screen.Forgotten)
	b.wantJobPerVersion()
}

func TestAcceptStopsWithItsContext(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := b.Accept(ctx, []screen.Item{item("Procedure/p", "a", "1", evidence)}, b.now); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
}
