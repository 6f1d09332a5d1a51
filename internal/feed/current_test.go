package feed

import (
	"context"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/migrations"
)

// reading is a record that is read by id, too.
type reading struct {
	record
	read func(kind, id string) (fhir.Resource, error)
}

func (r reading) Read(_ context.Context, kind, id string) (fhir.Resource, string, error) {
	got, err := r.read(kind, id)
	return got, "", err
}

// TestThePullReadsTheCurrentVersion: two contents come without version and time; what the record has when it is asked for that entry
// counts, whatever its search says, and what comes after the question but before the answer is stored stays.
func TestThePullReadsTheCurrentVersion(t *testing.T) {
	t.Parallel()
	const placed = `{"resourceType":"Procedure","id":"p","status":"STATUS","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},
		"subject":{"reference":"Patient/a"},"performedDateTime":"2026-01-05"}`
	with := func(status string) []byte { return []byte(strings.Replace(placed, "STATUS", status, 1)) }
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	screener := screen.Screener{Sets: sets}
	for name, c := range map[string]struct{ pushed, meanwhile, listed, record, want string }{
		"the record has what came first": {"completed stopped", "", "completed", "completed", "completed"},
		"the record has what came last":  {"completed stopped", "", "stopped", "stopped", "stopped"},
		"pushed while it was read":       {"completed stopped", "on-hold", "completed", "completed", "on-hold"},
		"the search lags behind":         {"completed stopped", "", "completed", "stopped", "stopped"},
		"the search is of another day":   {"completed stopped", "", "on-hold", "completed", "completed"},
		"the record has it no more":      {"completed stopped", "", "completed", "", "stopped"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			store, err := postgres.Open(t.Context(), dbtest.URL(t), postgres.Options{PullContext: true})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(store.Close)
			if err := migrations.Up(t.Context(), store.Pool(), nil); err != nil {
				t.Fatal(err)
			}
			clock := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
			push := func(status string) screen.Outcome {
				t.Helper()
				r, err := fhir.Decode(with(status))
				if err != nil {
					t.Fatal(err)
				}
				clock = clock.Add(time.Minute)
				out, err := store.Accept(t.Context(), []screen.Item{screener.Item(postgres.DefaultFeed, r)}, clock)
				if err != nil {
					t.Fatal(err)
				}
				return out[0]
			}
			var last screen.Outcome
			for status := range strings.FieldsSeq(c.pushed) {
				last = push(status)
			}
			if !last.Undecided {
				t.Errorf("the last push: %+v, want it undecided", last)
			}
			search := record{"Procedure": func() ([]json.RawMessage, error) { return []json.RawMessage{with(c.listed)}, nil }}
			asked := reading{search, func(kind, id string) (fhir.Resource, error) {
				if kind+"/"+id != "Procedure/p" || c.record == "" {
					return fhir.Resource{}, fault.NotFound
				}
				if c.meanwhile != "" {
					push(c.meanwhile)
				}
				return fhir.Decode(with(c.record))
			}}
			var person string
			var wanted int64
			if err := store.Pool().QueryRow(t.Context(), `SELECT id::text, pull_wanted FROM person`).Scan(&person, &wanted); err != nil {
				t.Fatal(err)
			}
			if wanted != 2 {
				t.Errorf("%d pulls wanted, want one for the placement and one for the doubt", wanted)
			}
			now := func() time.Time { return clock.Add(time.Second) }
			p := &Puller{Store: store, Record: asked, Screen: screener.Item, Now: now, Log: slog.New(slog.DiscardHandler)}
			if err := p.Pull(t.Context(), person, wanted); err != nil {
				t.Fatal(err)
			}
			var status string
			var further int64
			const read = `SELECT r.doc ->> 'status', p.pull_wanted FROM resource r JOIN person p ON p.id = r.person_id WHERE r.current`
			if err := store.Pool().QueryRow(t.Context(), read).Scan(&status, &further); err != nil {
				t.Fatal(err)
			}
			if status != c.want {
				t.Errorf("%s counts, want %s", status, c.want)
			}
			if c.meanwhile == "" && further != wanted {
				t.Errorf("the answer asks for another pull: %d", further)
			}
		})
	}
}
