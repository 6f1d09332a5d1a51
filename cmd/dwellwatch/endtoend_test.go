package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/tidwall/gjson"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/policy"
	"dwellwatch/migrations"
)

func TestMain(m *testing.M) {
	// The scripts run this test program as the command "dwellwatch".
	testscript.Main(withDatabase{m}, map[string]func(){"dwellwatch": main})
}

// withDatabase runs the tests on a private PostgreSQL with our schema.
type withDatabase struct{ m *testing.M }

// Run gives the exit status.
func (w withDatabase) Run() int {
	return dbtest.Run(w.m, func(ctx context.Context, url string) error {
		pool, err := pgxpool.New(ctx, url)
		if err != nil {
			return err
		}
		defer pool.Close()
		return migrations.Up(ctx, pool, nil)
	})
}

// house is the whole service on a real PostgreSQL beside a FHIR server others wrote.
type house struct {
	program *program
	peer    *peertest.Peer
	doors   *httptest.Server
}

func open(t *testing.T) *house {
	t.Helper()
	h := &house{peer: peertest.Start(t)}
	h.start(t, dbtest.URL(t))
	return h
}

// demoBasis gives what the demonstration's answers rest on, and the beginning of its day.
func demoBasis(t *testing.T) (assess.Basis, time.Time) {
	t.Helper()
	models, err := chart.ReadCatalogue(demo.Catalogue())
	if err != nil {
		t.Fatal(err)
	}
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	day, err := time.Parse("2006-01-02", demo.Day)
	if err != nil {
		t.Fatal(err)
	}
	return assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}, day
}

func (h *house) start(t *testing.T, database string) {
	t.Helper()
	basis, day := demoBasis(t)
	began := time.Now()
	s := settings{basis: basis,
		now: func() time.Time { return day.Add(9*time.Hour + time.Since(began)) }, log: slog.New(slog.DiscardHandler)}
	s.DatabaseURL, s.RecordURL, s.RecordTimeout = database, h.peer.BaseURL, 5*time.Second
	s.ClinicOwner = "Organization/alder-bay-retrieval-clinic"
	s.LocalSignin, s.SessionIdle, s.SessionLifetime = true, time.Hour, time.Hour
	p, err := start(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	h.program = p
	h.doors = httptest.NewServer(p.handler)
	t.Cleanup(func() {
		h.doors.Close()
		p.close()
	})
}

// send gives one request to the doors or to the peer, fails on anything but success, and gives the answer's body.
func send(t *testing.T, method, url string, body []byte) []byte {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/fhir+json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	answer, _ := io.ReadAll(resp.Body)
	if resp.StatusCode >= 300 {
		t.Fatalf("%s %s: %d %s", method, url, resp.StatusCode, answer)
	}
	return answer
}

// transaction makes a Bundle of resources as a record sends them.
func transaction(resources [][]byte) []byte {
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"transaction","entry":[`)
	for i, r := range resources {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"resource":%s,"request":{"method":"PUT","url":"%s/%s"}}`, r, gjson.GetBytes(r, "resourceType"), gjson.GetBytes(r, "id"))
	}
	b.WriteString("]}")
	return b.Bytes()
}

// atRest waits until no job is left to be worked.
func (h *house) atRest(t *testing.T) {
	t.Helper()
	stay := &hospitalStay{program: h.program}
	if err := stay.rest(t.Context()); err != nil {
		t.Fatalf("%v: %v", err, h.leftJobs(t))
	}
}

// leftJobs tells of the jobs that are still to be worked: kind, state, tries, last fault.
func (h *house) leftJobs(t *testing.T) []string {
	t.Helper()
	const left = `
		SELECT concat_ws(' ', kind, state, attempt, scheduled_at - now(), errors[array_upper(errors, 1)]->>'error')
		FROM river_job WHERE state NOT IN ('completed', 'cancelled', 'discarded')`
	rows, err := h.program.store.Pool().Query(t.Context(), left)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return list
}

type piece struct {
	path string
	body []byte
}

// pieces takes a step's Bundle apart into single resources.
func pieces(bundle []byte) []piece {
	var out []piece
	for _, e := range gjson.GetBytes(bundle, "entry").Array() {
		r := e.Get("resource")
		out = append(out, piece{"/" + r.Get("resourceType").String() + "/" + r.Get("id").String(), []byte(r.Raw)})
	}
	return out
}

// ours lists our own resources of a type in the peer.
func (h *house) ours(t *testing.T, kind string) []json.RawMessage {
	t.Helper()
	var out []json.RawMessage
	for _, r := range h.peer.Search(t, kind+"?_count=500") {
		if kind == "Provenance" || bytes.Contains(r, []byte(chart.SeriesSystem)) {
			out = append(out, r)
		}
	}
	return out
}

// open Tasks per series identifier.
func (h *house) openTasks(t *testing.T) map[string][]gjson.Result {
	t.Helper()
	out := map[string][]gjson.Result{}
	for _, raw := range h.ours(t, "Task") {
		task := gjson.ParseBytes(raw)
		if task.Get("status").String() != "draft" {
			continue
		}
		key := task.Get(`identifier.#(system=="urn:dwellwatch:referral").value`).String()
		out[key] = append(out[key], task)
	}
	return out
}

// countTasks counts the open Tasks as "patient priority", and fails where a filter has more than one.
func (h *house) countTasks(t *testing.T) map[string]int {
	t.Helper()
	got := map[string]int{}
	for key, list := range h.openTasks(t) {
		if len(list) != 1 {
			t.Errorf("filter %s has %d open Tasks", key, len(list))
		}
		for _, task := range list {
			got[task.Get("for.reference").String()+" "+task.Get("priority").String()]++
		}
	}
	return got
}

// wantTasks gives the open Tasks the hand-written table asks for, as "patient priority" with their number.
func wantTasks(patients []demo.Patient) map[string]int {
	out := map[string]int{}
	for _, p := range patients {
		for _, row := range p.Expected() {
			if row.Task == "none" {
				continue
			}
			n := 1
			if row.Filter == "*" {
				n = 2 // the story of two placements that may be one shows two filters
			}
			out["Patient/"+p.ID+" "+row.Task] += n
		}
	}
	return out
}

// TestHospitalThroughTheDoors sends the invented hospital to the real service and reads the drafts from a FHIR server
// others wrote: each once, as worked out by hand, also after everything was sent again; all that we wrote passes
// google/fhir, the R4 JSON schema and our own checks.
func TestHospitalThroughTheDoors(t *testing.T) {
	t.Parallel()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	h := open(t)
	counts := map[string]int{}
	told := map[string][]byte{} // what the record sent for each step
	for feeding := range 2 {
		for round := range 2 {
			for _, p := range patients {
				if round >= len(p.Steps) {
					continue
				}
				if file := p.Steps[round].File; feeding == 0 {
					var stored [][]byte
					for _, one := range pieces(p.Steps[round].Bundle) {
						stored = append(stored, send(t, http.MethodPut, h.peer.BaseURL+one.path, one.body))
					}
					told[file] = transaction(stored)
				}
				send(t, http.MethodPost, h.doors.URL+"/fhir", told[p.Steps[round].File])
			}
			h.atRest(t)
		}
		if diff := cmp.Diff(wantTasks(patients), h.countTasks(t)); diff != "" {
			t.Errorf("open Tasks after feeding %d (-want +got):\n%s", feeding+1, diff)
		}
		for _, kind := range []string{"Task", "DocumentReference", "Provenance"} {
			n := len(h.ours(t, kind))
			if feeding == 1 && n != counts[kind] {
				t.Errorf("the second feeding changed the number of %s from %d to %d", kind, counts[kind], n)
			}
			counts[kind] = n
		}
	}
	var all []json.RawMessage
	for _, kind := range []string{"Task", "DocumentReference", "Provenance"} {
		all = append(all, h.ours(t, kind)...)
	}
	if len(all) < 3*15 {
		t.Fatalf("only %d resources of ours in the record", len(all))
	}
	for i, errs := range peertest.GoogleFHIRErrors(t, all...) {
		errs = append(errs, peertest.SchemaErrors(t, all[i])...)
		errs = append(errs, peertest.OwnFaults(all[i])...)
		for _, e := range errs {
			t.Errorf("%s: %s", gjson.GetBytes(all[i], "resourceType"), e)
		}
	}
}

// TestAnyOrderOneOpenTask sends single resources in random orders, some twice, with the whole context already in the
// record: at rest every filter has at most one open Task, and the open ones are those worked out by hand.
func TestAnyOrderOneOpenTask(t *testing.T) {
	t.Parallel()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(3) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			t.Parallel()
			h := open(t)
			rng := rand.New(rand.NewPCG(seed, 20260301))
			patients := slices.Clone(patients)
			rng.Shuffle(len(patients), func(i, j int) { patients[i], patients[j] = patients[j], patients[i] })
			patients = patients[:10]
			var all []piece
			for _, p := range patients {
				for _, step := range p.Steps {
					for _, one := range pieces(step.Bundle) {
						all = append(all, one)
						if step.File == p.Steps[len(p.Steps)-1].File {
							send(t, http.MethodPut, h.peer.BaseURL+one.path, one.body)
						}
						if rng.IntN(4) == 0 {
							all = append(all, one)
						}
					}
				}
			}
			rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
			for i, one := range all {
				send(t, http.MethodPut, h.doors.URL+"/fhir"+one.path, one.body)
				if rng.IntN(40) == 0 || i == len(all)-1 {
					h.atRest(t)
				}
			}
			if diff := cmp.Diff(wantTasks(patients), h.countTasks(t)); diff != "" {
				t.Errorf("open Tasks (-want +got):\n%s", diff)
			}
		})
	}
}
