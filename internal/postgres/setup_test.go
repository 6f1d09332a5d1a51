package postgres

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"dwellwatch/fhir"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
	"dwellwatch/migrations"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Run(m, migrate)) }

func migrate(ctx context.Context, url string) error {
	pool, err := pgxpool.New(ctx, url)
	if err != nil {
		return err
	}
	defer pool.Close()
	return migrations.Up(ctx, pool, nil)
}

// bench is a store on a database of its own.
type bench struct {
	*Store
	t   *testing.T
	now time.Time
}

func setup(t *testing.T, o Options) *bench {
	t.Helper()
	s, err := Open(t.Context(), dbtest.URL(t), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return &bench{Store: s, t: t, now: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
}

// take accepts items in one call, an hour after the call before, and gives the fates.
func (b *bench) take(items ...screen.Item) []screen.Fate {
	b.t.Helper()
	b.now = b.now.Add(time.Hour)
	outcomes, err := b.Accept(b.t.Context(), items, b.now)
	if err != nil {
		b.t.Fatalf("Accept: %v", err)
	}
	var fates []screen.Fate
	for _, o := range outcomes {
		fates = append(fates, o.Fate)
	}
	return fates
}

func (b *bench) wantTake(items []screen.Item, want ...screen.Fate) {
	b.t.Helper()
	if diff := cmp.Diff(want, b.take(items...)); diff != "" {
		b.t.Errorf("fates (-want +got):\n%s", diff)
	}
}

// person gives the id of the person whom a patient of the default feed begins.
func person(patient string) string { return personOf(alias{DefaultFeed, patient}) }

func (b *bench) record(patient string) Record {
	b.t.Helper()
	r, err := b.Record(b.t.Context(), person(patient))
	if err != nil {
		b.t.Fatalf("Record: %v", err)
	}
	return r
}

// chart lists what a record holds as "Type/id v3".
func (b *bench) chart(patient string) []string {
	b.t.Helper()
	list := []string{}
	for _, s := range b.record(patient).Resources {
		list = append(list, strings.TrimSuffix(s.Resource.Ref()+" v"+s.Resource.VersionID, " v"))
	}
	return list
}

func (b *bench) wantChart(patient string, version int64, want ...string) {
	b.t.Helper()
	if diff := cmp.Diff(append([]string{}, want...), b.chart(patient)); diff != "" {
		b.t.Errorf("chart of %s (-want +got):\n%s", patient, diff)
	}
	if got := b.record(patient).ChartVersion; got != version {
		b.t.Errorf("chart version of %s is %d, want %d", patient, got, version)
	}
}

// jobs lists the queued jobs of one kind, each as its arguments.
func (b *bench) jobs(kind string) []string {
	b.t.Helper()
	return query[string](b, `SELECT args::text FROM river_job WHERE kind = $1 ORDER BY id`, kind)
}

func (b *bench) wantCount(want int, sql string, args ...any) {
	b.t.Helper()
	if got := query[int](b, sql, args...); len(got) != 1 || got[0] != want {
		b.t.Errorf("%s: got %v, want %d", sql, got, want)
	}
}

// wantJobPerVersion checks that every chart version of everyone has exactly one AssessPatient job.
func (b *bench) wantJobPerVersion() {
	b.t.Helper()
	want := query[string](b, `
		SELECT id::text || ' ' || v FROM person, generate_series(1, chart_version) AS v ORDER BY id::text || ' ' || v`)
	got := query[string](b, `
		SELECT (args->>'person') || ' ' || (args->>'version') AS one FROM river_job WHERE kind = 'assess_patient' ORDER BY one`)
	if diff := cmp.Diff(want, got); diff != "" {
		b.t.Errorf("AssessPatient jobs (-want +got):\n%s", diff)
	}
}

func query[T any](b *bench, sql string, args ...any) []T {
	b.t.Helper()
	rows, err := b.pool.Query(b.t.Context(), sql, args...)
	if err != nil {
		b.t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[T])
	if err != nil {
		b.t.Fatal(err)
	}
	return list
}

// item makes content of the default feed. v is its version id; "" for none.
func item(ref, patient, v string, change ...func(*screen.Item)) screen.Item {
	kind, id, _ := strings.Cut(ref, "/")
	i := screen.Item{Feed: DefaultFeed, Patient: patient, Resource: fhir.Resource{Type: kind, ID: id, VersionID: v}}
	for _, f := range change {
		f(&i)
	}
	i.Resource.Raw = fmt.Appendf(nil, `{"resourceType":%q,"id":%q,"note":%q}`, kind, id, strings.Join([]string{v, patient,
		strconv.FormatBool(i.Retracted), i.Resource.LastUpdated.String(), strings.Join(i.Refs, " ")}, "|"))
	if i.Deleted {
		i.Resource.Raw = nil
	}
	return i
}

func evidence(i *screen.Item)  { i.Evidence = true }
func holdable(i *screen.Item)  { i.Holdable = true }
func deleted(i *screen.Item)   { i.Deleted = true }
func retracted(i *screen.Item) { i.Retracted = true }

func naming(refs ...string) func(*screen.Item) {
	return func(i *screen.Item) { i.Refs = refs }
}

func updated(minute int) func(*screen.Item) {
	return func(i *screen.Item) {
		i.Resource.LastUpdated = time.Date(2026, 1, 1, 0, minute, 0, 0, time.UTC)
	}
}

// asOf is a day on which the tests assess.
func asOf() filter.Day { return filter.NewDay(2026, time.March, 2) }
