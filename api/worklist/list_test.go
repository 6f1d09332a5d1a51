package worklist

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
	"dwellwatch/migrations"

	"github.com/gin-gonic/gin"
	"github.com/jackc/pgx/v5/pgxpool"
)

func TestMain(m *testing.M) {
	gin.SetMode(gin.ReleaseMode)
	os.Exit(dbtest.Run(m, func(ctx context.Context, url string) error {
		pool, err := pgxpool.New(ctx, url)
		if err != nil {
			return err
		}
		defer pool.Close()
		return migrations.Up(ctx, pool, nil)
	}))
}

// served gives the pages over a database with n followed filters, as a signed-in coordinator sees them.
func served(t testing.TB, n int) http.Handler {
	t.Helper()
	store, err := postgres.Open(t.Context(), dbtest.URL(t), postgres.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(store.Close)
	// Of each twenty filters one is urgent, three are overdue, eight are routine, four wait, two are kept and two closed.
	for _, sql := range []string{
		`INSERT INTO person (id, chart_version) SELECT ('00000000-0000-0000-0000-' || lpad(i::text, 12, '0'))::uuid, 1 FROM generate_series(1, $1::int) AS i`,
		`INSERT INTO filter_key (key, person_id) SELECT 'key-' || i, ('00000000-0000-0000-0000-' || lpad(i::text, 12, '0'))::uuid FROM generate_series(1, $1::int) AS i`,
		`INSERT INTO referral (key, person_id, version, written_version, state) SELECT 'key-' || i, ('00000000-0000-0000-0000-' || lpad(i::text, 12, '0'))::uuid, 1, 1, '{}' FROM generate_series(1, $1::int) AS i`,
		`INSERT INTO worklist (key, page, listed, rank, sort_day, waiting_since, verdict, standing, overdue, emergency, headline, name, born, patient, model, placed_from, placed_to, asked,
			task_status, task_owner, owner, step, step_on, put_off, in_hospital, unreachable, attempts, last_contact, last_reached, lost, search)
		SELECT 'key-' || i, md5(i::text), true, (ARRAY[1,2,2,2,3,3,3,3,3,3,3,3,6,6,6,6,7,7,8,8])[1 + i % 20], date '2026-01-01' + i % 90, date '2026-01-01' + i % 90,
			(ARRAY['urgent','refer','refer','refer','refer','refer','refer','refer','review','review','review','clarify','wait','wait','wait','wait','keep','keep','closed','closed'])[1 + i % 20],
			'in-place', i % 20 BETWEEN 1 AND 3, false, 'Therapeutic anticoagulation has run unbroken since 2026-01-10.', 'Person ' || i, '1950-01-01', 'Patient/' || i, 'Linden C1',
			date '2025-06-01' + i % 200, date '2025-06-01' + i % 200, 'drafted', 'draft', '', 'Retrieval clinic', 'A clinician approves, puts off or declines', date '2026-04-01', NULL,
			i % 31 = 0, i % 17 = 0, i % 3, date '2026-02-01', false, i % 3 = 2, 'person ' || i FROM generate_series(1, $1::int) AS i`,
	} {
		if _, err := store.Pool().Exec(t.Context(), sql, n); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := store.Pool().Exec(t.Context(), `VACUUM ANALYZE worklist, referral`); err != nil {
		t.Fatal(err)
	}
	now := func() time.Time { return time.Date(2026, 3, 31, 8, 0, 0, 0, time.UTC) }
	p, err := New(Config{Desk: desk.Desk{Config: desk.Config{Store: store, Basis: assess.Basis{Zone: time.UTC}, Now: now}}, Quarantine: store, Feeds: store.Feeds, Gauges: store.Gauges,
		Now: now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	e := gin.New()
	e.Use(func(c *gin.Context) {
		who := auth.Person{Subject: "s", Name: "Ada Thornbury", Roles: []auth.Role{auth.Coordinator}}
		c.Request = c.Request.WithContext(auth.WithPerson(c.Request.Context(), who))
	})
	for _, r := range p.Routes(nil) {
		e.Handle(r.Method, r.Path, r.Handle)
	}
	return e
}

func get(t testing.TB, h http.Handler, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	if w.Code != http.StatusOK {
		t.Fatalf("%s: %d", path, w.Code)
	}
	return w.Body.String()
}

// TestPagesOfTheList: every open filter stands on exactly one page, in order.
func TestPagesOfTheList(t *testing.T) {
	t.Parallel()
	h := served(t, 120)
	seen := map[string]bool{}
	for page, want := range []int{desk.PageSize, desk.PageSize, 8} { // of 120, 12 are closed
		body := get(t, h, fmt.Sprintf("/worklist?page=%d", page+1))
		lines := strings.Count(body, `class="line `)
		for _, part := range strings.Split(body, `id="f-`)[1:] {
			seen[part[:32]] = true
		}
		if lines != want || strings.Contains(body, "Next page") != (want == desk.PageSize) {
			t.Errorf("page %d: %d lines, want %d", page+1, lines, want)
		}
	}
	if len(seen) != 108 {
		t.Errorf("%d filters on the pages, want 108", len(seen))
	}
	if body := get(t, h, "/worklist?page=99&verdict=nonsense&show=nonsense"); !strings.Contains(body, "No filter stands here now") {
		t.Error("a page behind the last")
	}
}

// TestRanksHaveWords: every rank has a title of its own group.
func TestRanksHaveWords(t *testing.T) {
	t.Parallel()
	for rank := range agenda.RankClosed + 1 {
		if rankWords(rank) == "" {
			t.Errorf("rank %d has no words", rank)
		}
	}
	if got := string(spanWords(filter.Unknown())); got != "day not known" {
		t.Error(got)
	}
}

// BenchmarkList gives the time of the first page over 1,000 and over 10,000 followed filters, and how many times as long the latter takes.
func BenchmarkList(b *testing.B) {
	small, large := served(b, 1_000), served(b, 10_000)
	var times [2][]time.Duration
	for b.Loop() {
		for i, h := range []http.Handler{small, large} {
			began := time.Now()
			get(b, h, "/worklist")
			times[i] = append(times[i], time.Since(began))
		}
	}
	middle := func(list []time.Duration) float64 {
		slices.Sort(list)
		return float64(list[len(list)/2]) / float64(time.Millisecond)
	}
	b.ReportMetric(middle(times[0]), "ms/1000")
	b.ReportMetric(middle(times[1]), "ms/10000")
	b.ReportMetric(middle(times[1])/middle(times[0]), "ratio")
}
