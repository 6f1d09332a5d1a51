package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/jackc/pgx/v5"

	"dwellwatch/api"
	"dwellwatch/api/route"
	"dwellwatch/internal/auth"
)

// TestPromptBesideOneQuery measures a card for a followed patient beside a handler of the same engine, behind the same check of the
// caller, that runs one indexed query and answers with a fixed text. The calls of all kinds take turns, on the same PostgreSQL.
// It prints what it measured; only what is clearly absurd is a failure, because other programs may run beside it.
func TestPromptBesideOneQuery(t *testing.T) {
	b := bedsideOf(t, "")
	b.deliver("ab-02", "ab-01")
	plain := b.beside(t)
	sent := prefetchOf(t, "ab-02")
	kinds := []string{"one query", "no card", "card", "card, whole prefetch", "card, news in the prefetch"}
	const news = `"other":{"resourceType":"Observation","id":"height","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"8302-2"}]},"subject":{"reference":"Patient/ab-02"},"effectiveDateTime":"2026-02-01","valueQuantity":{"value":180,"unit":"cm"}}`
	withNews := prefetchOf(t, "ab-02", news)
	call := func(kind string, n int) time.Duration {
		patient, more, server := "ab-02", "", b.server
		switch kind {
		case "one query":
			server = plain
		case "no card":
			patient, more = "ab-01", ""
		case "card, whole prefetch":
			more = "," + sent
		case "card, news in the prefetch":
			more = "," + withNews
		}
		text := fmt.Sprintf(`{"hook":"patient-view","hookInstance":"%s-%d","context":{"userId":"Practitioner/%s-%d","patientId":%q}%s}`, strings.ReplaceAll(kind, " ", "-"), n, strings.ReplaceAll(kind, " ", "-"), n, patient, more)
		began := time.Now()
		resp, err := server.Client().Post(server.URL+"/cds-services/vena-cava-filter-patient-view", "application/json", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		took := time.Since(began)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d %s %v", kind, resp.StatusCode, body, err)
		}
		if strings.Contains(string(body), `"overdue"`) != strings.HasPrefix(kind, "card") {
			t.Fatalf("%s: %s", kind, body)
		}
		return took
	}
	const warm, rounds = 30, 300
	times := map[string][]time.Duration{}
	for n := range warm + rounds {
		for _, kind := range kinds {
			if took := call(kind, n); n >= warm {
				times[kind] = append(times[kind], took)
			}
		}
	}
	for _, kind := range kinds {
		slices.Sort(times[kind])
	}
	median := func(kind string) time.Duration { return times[kind][rounds/2] }
	for _, kind := range kinds {
		t.Logf("%-28s median %-10s p99 %-10s %.2f times one query", kind, median(kind).Round(time.Microsecond), times[kind][rounds*99/100].Round(time.Microsecond), float64(median(kind))/float64(median("one query")))
	}
	if ratio := float64(median("card")) / float64(median("one query")); ratio > 30 {
		t.Errorf("a card takes %.0f times as long as one query", ratio)
	}
}

// beside gives a server of the same engine and caller check whose route for the prompt runs one indexed query.
func (b *bedside) beside(t *testing.T) *httptest.Server {
	t.Helper()
	p := b.program
	c := p.apiConfig(p.screener())
	if err := p.admit(&c); err != nil {
		t.Fatal(err)
	}
	c.Extra = []route.Route{{Method: http.MethodPost, Path: "/cds-services/:id", Access: auth.ForCDS(), Handle: func(g *gin.Context) {
		if _, err := io.Copy(io.Discard, g.Request.Body); err != nil {
			g.Status(http.StatusBadRequest)
			return
		}
		person, err := oneQuery(g.Request.Context(), p)
		if err != nil || person == "" {
			g.Status(http.StatusInternalServerError)
			return
		}
		g.Data(http.StatusOK, "application/json", []byte(`{"cards":[]}`))
	}}}
	handler, err := api.New(c)
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(handler)
	t.Cleanup(s.Close)
	return s
}

func oneQuery(ctx context.Context, p *program) (string, error) {
	var person string
	err := p.store.Pool().QueryRow(ctx, `SELECT person_id::text FROM person_alias WHERE feed = @feed AND patient_id = @patient`, pgx.NamedArgs{"feed": "default", "patient": "ab-02"}).Scan(&person)
	return person, err
}
