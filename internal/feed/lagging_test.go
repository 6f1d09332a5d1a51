package feed

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/migrations"
)

// TestALaggingSearchRevivesNothing: what was taken back, and is still found by the record's search, is read by its id before it
// counts again; what the record then does not have stays taken back.
func TestALaggingSearchRevivesNothing(t *testing.T) {
	t.Parallel()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	screener := screen.Screener{Sets: sets}
	const placed = `{"resourceType":"Procedure","id":"ID","meta":{META},"status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},
		"subject":{"reference":"Patient/PATIENT"},"performedDateTime":"2026-01-05"}`
	of := func(id, patient, meta string) []byte {
		return []byte(strings.NewReplacer("ID", id, "META", meta, "PATIENT", patient).Replace(placed))
	}
	decoded := func(body []byte) fhir.Resource {
		t.Helper()
		r, err := fhir.Decode(body)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	const one, two, three, opaque, ahead = `"versionId":"1"`, `"versionId":"2"`, `"versionId":"3"`, `"versionId":"x"`, `"versionId":"2","lastUpdated":"2026-03-02T09:00:00Z"`
	status := func(code int) error {
		return &rest.Refused{Status: code, What: "Procedure", Retryable: code >= 500}
	}
	var back error // the record still has it
	for name, c := range map[string]struct {
		pushed, listed string // meta of Procedure/p
		gone           string // meta of the copy in error that takes it back; "" where it is deleted
		read           error
		of             string // whose it is when it is read; "" for the same patient's
		current        []string
		err            error
		gaps           []postgres.Gap
	}{
		"deleted":                                    {one, one, "", fault.NotFound, "", []string{"q"}, nil, nil},
		"deleted, and the record says 410":           {one, one, "", status(http.StatusGone), "", []string{"q"}, nil, nil},
		"deleted, without versions":                  {"", "", "", fault.NotFound, "", []string{"q"}, nil, nil},
		"deleted, a version never heard of":          {one, two, "", fault.NotFound, "", []string{"q"}, nil, nil},
		"deleted, a record whose clock is fast":      {one, ahead, "", fault.NotFound, "", []string{"q"}, nil, nil},
		"in error, without versions":                 {"", "", ` `, fault.NotFound, "", []string{"q"}, nil, nil},
		"in error, versions without order":           {opaque, opaque, `"versionId":"y"`, fault.NotFound, "", []string{"q"}, nil, nil},
		"in error, and a version after it is listed": {one, three, two, fault.NotFound, "", []string{"q"}, nil, nil},
		"the record has it still":                    {one, one, "", back, "", []string{"p", "q"}, nil, nil},
		"it is another patient's now":                {one, one, "", back, "b", []string{"q"}, nil, nil},
		"the record does not answer":                 {one, one, "", status(http.StatusServiceUnavailable), "", []string{"q"}, fault.Unavailable, nil},
		"it must not be read":                        {one, one, "", status(http.StatusForbidden), "", []string{"q"}, nil, []postgres.Gap{{Type: "Procedure", Why: postgres.GapForbidden}}},
	} {
		for _, erased := range []bool{false, true} {
			at := name
			if erased {
				if c.gone != "" {
					continue // what is in error is kept, not only remembered
				}
				at += ", and only remembered"
			}
			t.Run(at, func(t *testing.T) {
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
				take := func(it screen.Item) {
					t.Helper()
					clock = clock.Add(time.Minute)
					if _, err := store.Accept(t.Context(), []screen.Item{it}, clock); err != nil {
						t.Fatal(err)
					}
				}
				push := func(body []byte) { t.Helper(); take(screener.Item(postgres.DefaultFeed, decoded(body))) }
				push(of("p", "a", c.pushed))
				if c.gone == "" {
					take(screen.Item{Feed: postgres.DefaultFeed, Resource: fhir.Resource{Type: "Procedure", ID: "p"}, Deleted: true})
				} else {
					push([]byte(strings.Replace(string(of("p", "a", c.gone)), "completed", "entered-in-error", 1)))
				}
				if erased {
					if _, err := store.Pool().Exec(t.Context(), `DELETE FROM resource`); err != nil {
						t.Fatal(err)
					}
				}
				push(of("q", "a", one))
				var person string
				var wanted int64
				if err := store.Pool().QueryRow(t.Context(), `SELECT id::text, pull_wanted FROM person`).Scan(&person, &wanted); err != nil {
					t.Fatal(err)
				}
				asked := 0
				rec := reading{record{"Procedure": func() ([]json.RawMessage, error) {
					return []json.RawMessage{of("p", "a", c.listed), of("q", "a", one)}, nil
				}}, func(kind, id string) (fhir.Resource, error) {
					if kind != "Procedure" {
						return fhir.Resource{}, fault.NotFound
					}
					if asked++; id != "p" {
						t.Errorf("%s/%s is read too", kind, id)
					}
					whose := "a"
					if c.of != "" {
						whose = c.of
					}
					return decoded(of("p", whose, c.listed)), c.read
				}}
				p := &Puller{Store: store, Record: rec, Screen: screener.Item, Now: func() time.Time { return clock.Add(time.Second) }, Log: slog.New(slog.DiscardHandler)}
				if err := p.Pull(t.Context(), person, wanted); !errors.Is(err, c.err) {
					t.Fatalf("pull: %v, want %v", err, c.err)
				}
				if asked != 1 {
					t.Errorf("read %d times, want once", asked)
				}
				rows, err := store.Pool().Query(t.Context(), `SELECT id FROM resource WHERE current AND NOT deleted AND NOT retracted ORDER BY id`)
				if err != nil {
					t.Fatal(err)
				}
				var ids []string
				for rows.Next() {
					var id string
					if err := rows.Scan(&id); err != nil {
						t.Fatal(err)
					}
					ids = append(ids, id)
				}
				if diff := cmp.Diff(c.current, ids); diff != "" {
					t.Errorf("what counts (-want +got):\n%s", diff)
				}
				var gaps []postgres.Gap
				if err := store.Pool().QueryRow(t.Context(), `SELECT nullif(pull_gaps, '[]') FROM person`).Scan(&gaps); err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(c.gaps, gaps); diff != "" {
					t.Errorf("gaps (-want +got):\n%s", diff)
				}
			})
		}
	}
}
