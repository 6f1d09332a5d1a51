package desk_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"dwellwatch/fhir"
	"dwellwatch/internal/agenda"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/internal/worker"
	"dwellwatch/migrations"
)

func TestMain(m *testing.M) {
	os.Exit(dbtest.Run(m, func(ctx context.Context, url string) error {
		pool, err := pgxpool.New(ctx, url)
		if err != nil {
			return err
		}
		defer pool.Close()
		return migrations.Up(ctx, pool, nil)
	}))
}

// clinic is a desk over a database of its own, in which whatever comes in is assessed at once.
type clinic struct {
	desk.Desk
	t        *testing.T
	basis    int64
	screener screen.Screener
	forms    int
}

func open(t *testing.T) *clinic {
	t.Helper()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	store, err := postgres.Open(t.Context(), dbtest.URL(t), postgres.Options{})
	if err != nil {
		t.Fatal(err)
	}
	basis, err := store.RegisterBasis(t.Context(), "one", "default")
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	now := func() time.Time { return time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC).Add(time.Since(began)) }
	c := &clinic{t: t, basis: basis, screener: screen.Screener{Sets: sets},
		Desk: desk.Desk{Config: desk.Config{Store: store, Basis: assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC}, Now: now}}}
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ; ctx.Err() == nil; time.Sleep(10 * time.Millisecond) {
			if err := c.assess(ctx); err != nil && ctx.Err() == nil && !errors.Is(err, postgres.ErrOvertaken) {
				t.Errorf("assess: %v", err)
				return
			}
		}
	}()
	t.Cleanup(func() {
		stop()
		<-done
		store.Close()
	})
	return c
}

// assess assesses everybody whose chart has grown since.
func (c *clinic) assess(ctx context.Context) error {
	var people []string
	const grown = `SELECT coalesce(array_agg(id::text), '{}') FROM person WHERE saved_version IS DISTINCT FROM chart_version`
	if err := c.Store.Pool().QueryRow(ctx, grown).Scan(&people); err != nil {
		return err
	}
	for _, person := range people {
		rec, err := c.Store.Record(ctx, person)
		if err != nil {
			return err
		}
		result := assess.Patient(worker.Input(rec, c.screener, nil), c.Basis, c.Today())
		after, _ := draft.Reconcile(rec.Referrals, result.Wants(), result.Tasks, worker.Pace(c.Basis.Policy), c.Today())
		saved := postgres.Saved{Person: person, ChartVersion: rec.ChartVersion, Basis: c.basis, AsOf: c.Today(), DueOn: filter.MaxDay, Keys: result.Keys, Saves: &rec.Saves}
		if saved.Answer, err = json.Marshal(result.Assessment); err != nil {
			return err
		}
		for _, r := range after {
			saved.Referrals = append(saved.Referrals, postgres.SavedReferral{Referral: r})
		}
		for _, f := range result.Assessment.Filters {
			r := draft.Referral{Key: f.Key}
			if at := slices.IndexFunc(after, func(r draft.Referral) bool { return r.Key == f.Key }); at >= 0 {
				r = after[at]
			}
			saved.Lines = append(saved.Lines, agenda.Of(result.Assessment, f, r, result.Tasks[f.Key], c.Today()))
		}
		if err := c.Store.SaveAssessment(ctx, saved); err != nil {
			return err
		}
	}
	return nil
}

// told takes resources of the default feed and waits until they are assessed.
func (c *clinic) told(resources ...string) {
	c.t.Helper()
	items := make([]screen.Item, 0, len(resources))
	for _, text := range resources {
		r, err := fhir.Decode([]byte(text))
		if err != nil {
			c.t.Fatal(err)
		}
		items = append(items, c.screener.Item(postgres.DefaultFeed, r))
	}
	if _, err := c.Store.Accept(c.t.Context(), items, c.Now()); err != nil {
		c.t.Fatal(err)
	}
	for began := time.Now(); time.Since(began) < 20*time.Second; time.Sleep(10 * time.Millisecond) {
		var behind bool
		if err := c.Store.Pool().QueryRow(c.t.Context(), `SELECT EXISTS (SELECT FROM person WHERE saved_version IS DISTINCT FROM chart_version)`).Scan(&behind); err != nil {
			c.t.Fatal(err)
		}
		if !behind {
			return
		}
	}
	c.t.Fatal("not assessed")
}

// patient is a patient with placements on these days.
func patient(id string, days ...string) []string {
	out := []string{fmt.Sprintf(`{"resourceType":"Patient","id":%q,"birthDate":"1951-04","name":[{"text":"Person %s"}]}`, id, id)}
	for n, day := range days {
		out = append(out, fmt.Sprintf(`{"resourceType":"Procedure","id":"%s-in%d","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":%q}`, id, n, id, day))
	}
	return out
}

// condition is an active diagnosis of a patient.
func condition(id, patient, code string) string {
	return fmt.Sprintf(`{"resourceType":"Condition","id":%q,"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":%q}]},"subject":{"reference":"Patient/%s"},"onsetDateTime":"2026-02-20"}`, id, code, patient)
}

// page gives the page of the filter that was placed on a day.
func (c *clinic) page(day string) string {
	c.t.Helper()
	var page string
	if err := c.Store.Pool().QueryRow(c.t.Context(), `SELECT page FROM worklist WHERE listed AND placed_from = $1::date`, day).Scan(&page); err != nil {
		c.t.Fatal(err)
	}
	return page
}

// view reads a page.
func (c *clinic) view(page string) desk.View {
	c.t.Helper()
	v, err := c.View(c.t.Context(), page)
	if err != nil {
		c.t.Fatal(err)
	}
	return v
}

// form is a form of a page as it stands, filled in by a clinician.
func (c *clinic) form(page, why string) desk.Form {
	c.t.Helper()
	c.forms++
	return desk.Form{Page: page, Token: fmt.Sprintf("%032x", c.forms), Stands: c.view(page).Stands, Why: why,
		By: desk.Caller{Subject: "s", Clinician: true, Author: entry.Author{Name: "Ada Thornbury"}}}
}

// wantRefused wants an error to be a refusal with words.
func wantRefused(t *testing.T, name string, err error, words string) {
	t.Helper()
	var refused *desk.Refused
	if !errors.As(err, &refused) || !strings.Contains(strings.Join(refused.Why, " "), words) {
		t.Errorf("%s: %v, want a refusal with %q", name, err, words)
	}
}

// wantActs wants so many acts to have been noted.
func (c *clinic) wantActs(name string, want int) {
	c.t.Helper()
	var got int
	if err := c.Store.Pool().QueryRow(c.t.Context(), `SELECT count(*) FROM act`).Scan(&got); err != nil || got != want {
		c.t.Errorf("%s: %d acts, %v, want %d", name, got, err, want)
	}
}
