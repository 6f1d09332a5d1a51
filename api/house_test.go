package api_test

import (
	"bytes"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/api"
	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/migrations"
)

// house is the API over a real store, without a queue that works.
type house struct {
	t        *testing.T
	store    *postgres.Store
	handler  http.Handler
	screener screen.Screener

	mu    sync.Mutex
	fates map[string][]screen.Fate // by Type/id
	aside []api.Refused            // what was put into the quarantine
}

func newHouse(t *testing.T, limit int64) *house {
	t.Helper()
	store, err := postgres.Open(t.Context(), dbtest.URL(t), postgres.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(store.Close)
	if err := migrations.Up(t.Context(), store.Pool(), nil); err != nil {
		t.Fatal(err)
	}
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, store: store, fates: map[string][]screen.Fate{}}
	h.screener = screen.Screener{Sets: sets, Models: catalogue.Catalogue{}, Bases: map[string]string{api.DefaultFeed: recordBase}}
	mentioner := h.screener.Mentioner()
	clock := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	h.handler, err = api.New(api.Config{
		Accept: func(ctx context.Context, items []screen.Item) ([]screen.Outcome, error) {
			h.mu.Lock()
			defer h.mu.Unlock()
			clock = clock.Add(time.Second)
			out, err := store.Accept(ctx, items, clock)
			for n, o := range out {
				ref := items[n].Resource.Ref()
				h.fates[ref] = append(h.fates[ref], o.Fate)
			}
			return out, err
		},
		AcceptHeld: store.AcceptHeld,
		Clashes:    store.Clashes,
		Screen:     h.screener.Item,
		Mentions:   func(_ context.Context, _ string, body []byte) bool { return mentioner.Mentions(body) },
		Quarantine: func(_ context.Context, r api.Refused) error {
			h.mu.Lock()
			defer h.mu.Unlock()
			if !r.Keep {
				r.Body = nil
			}
			h.aside = append(h.aside, r)
			return nil
		},
		Held:      asideHeld{h: h},
		Audit:     func(context.Context, api.AuditRow) error { return nil },
		Ready:     func(ctx context.Context) error { return store.Pool().Ping(ctx) },
		Assess:    func([]fhir.Resource, filter.Day) ([][]byte, error) { return nil, nil },
		Now:       func() time.Time { return clock },
		Zone:      time.UTC,
		BodyLimit: limit,
		Log:       slog.New(slog.DiscardHandler),
		Feeds:     map[string]string{api.DefaultFeed: recordBase},
	})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

const recordBase = "http://example.com/fhir"

// asideHeld is a quarantine of what was put aside; its numbers are the places in that list, from 1.
type asideHeld struct {
	api.Holder
	h *house
}

func (a asideHeld) Show(_ context.Context, id int64) (api.Held, error) {
	if id > int64(len(a.h.aside)) {
		return api.Held{}, fault.NotFound
	}
	r := a.h.aside[id-1]
	return api.Held{ID: id, Feed: r.Feed, Route: r.Route, Method: r.Method, Target: r.Target, ContentType: r.ContentType, Bundle: r.Bundle, ReceivedAt: r.At,
		Body: r.Body, Replayable: r.Keep, Issues: r.Issues}, nil
}

func (asideHeld) Replayed(context.Context, int64, int, []fhir.Issue, time.Time) error { return nil }
func (asideHeld) Discard(context.Context, int64) error                                { return nil }

func (h *house) send(method, path string, body []byte, headers ...string) *httptest.ResponseRecorder {
	h.t.Helper()
	r := httptest.NewRequest(method, path, bytes.NewReader(body))
	r.Host = "localhost"
	r.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.handler.ServeHTTP(w, r)
	return w
}

// rows counts what deliveries leave in the database.
type rows struct{ versions, current, persons int }

func (h *house) stored() rows {
	h.t.Helper()
	const count = `
		SELECT (SELECT count(*) FROM resource), (SELECT count(*) FROM resource WHERE current), (SELECT count(*) FROM person)`
	var r rows
	if err := h.store.Pool().QueryRow(h.t.Context(), count).Scan(&r.versions, &r.current, &r.persons); err != nil {
		h.t.Fatal(err)
	}
	return r
}

// lines reads rows of one text.
func (h *house) lines(query string, args ...any) []string {
	h.t.Helper()
	rows, err := h.store.Pool().Query(h.t.Context(), query, args...)
	if err != nil {
		h.t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		h.t.Fatal(err)
	}
	return list
}
