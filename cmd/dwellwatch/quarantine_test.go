package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
	"golang.org/x/sync/errgroup"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/policy"
)

// doorway is the service without a record, on a database of its own.
type doorway struct {
	*program
	t     *testing.T
	url   string // of the database
	doors string
	log   *lockedLog
}

func openDoorway(t *testing.T, database string, feeds map[string]string) *doorway {
	t.Helper()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	w := &doorway{t: t, url: database, log: &lockedLog{}}
	models, err := chart.ReadCatalogue(demo.Catalogue())
	if err != nil {
		t.Fatal(err)
	}
	s := settings{basis: assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}, now: time.Now, log: slog.New(slog.NewTextHandler(w.log, nil))}
	s.DatabaseURL, s.Feeds = database, feeds
	if w.program, err = start(t.Context(), s); err != nil {
		t.Fatal(err)
	}
	doors := httptest.NewServer(w.handler)
	w.doors = doors.URL
	t.Cleanup(func() {
		doors.Close()
		w.close()
	})
	return w
}

// ask sends a request and gives the answer, whatever it is.
func (w *doorway) ask(method, path, body string) (int, string) {
	w.t.Helper()
	status, answer, err := ask(w.t.Context(), method, w.doors+path, body)
	if err != nil {
		w.t.Fatal(err)
	}
	return status, answer
}

func ask(ctx context.Context, method, url, body string) (int, string, error) {
	r, err := http.NewRequestWithContext(ctx, method, url, strings.NewReader(body))
	if err != nil {
		return 0, "", err
	}
	r.Header.Set("Content-Type", "application/fhir+json")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(answer), err
}

// command runs the program's command line on the database of the doorway.
func (w *doorway) command(args ...string) (status int, out, err string) {
	w.t.Helper()
	var stdout, stderr bytes.Buffer
	status = run(w.t.Context(), append(args, "--database-url", w.url), streams{in: strings.NewReader(""), out: &stdout, err: &stderr})
	return status, stdout.String(), stderr.String()
}

func (w *doorway) count(sql string, args ...any) int {
	w.t.Helper()
	var n int
	if err := w.store.Pool().QueryRow(w.t.Context(), sql, args...).Scan(&n); err != nil {
		w.t.Fatal(err)
	}
	return n
}

func placement(id string) string {
	return `{"resourceType":"Procedure","id":"` + id + `","status":"completed","subject":{"reference":"Patient/secret"},"performedDateTime":"2024-05-02",` +
		`"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]}}`
}

// strayBatch holds one placement that can be read only where the base of its feed is https://lab.example/fhir.
func strayBatch(id string) string {
	return `{"resourceType":"Bundle","type":"batch","entry":[{"resource":` + placement(id) + `,"request":{"method":"PUT","url":"https://lab.example/fhir/Procedure/` + id + `"}}]}`
}

// A feed was configured with a wrong base URL: its entries lie in the quarantine until the operator has mended it.
func TestQuarantineByCommand(t *testing.T) {
	t.Parallel()
	w := openDoorway(t, dbtest.URL(t), map[string]string{"lab": "https://labb.example/fhir"})
	w.ask("POST", "/feeds/lab/fhir", strayBatch("secret-1"))
	w.ask("POST", "/feeds/lab/fhir", strayBatch("secret-2"))
	w.ask("PUT", "/fhir/Procedure/x", `{"resourceType":"Procedure","code":{"text":"knee"`)

	status, out, errs := w.command("quarantine", "list")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if status != 0 || len(lines) != 3 || strings.Contains(out+errs, "secret") {
		t.Fatalf("list: %d %s %s", status, out, errs)
	}
	if f := strings.Split(lines[0], "\t"); f[0] != "1" || f[1] != "lab" || f[5] != "yes" || f[7] != "error value Bundle.entry[0].request.url this is neither Type nor Type/id of this feed" {
		t.Errorf("line %q", lines[0])
	}
	if f := strings.Split(lines[2], "\t"); f[1] != "default" || f[5] != "no" {
		t.Errorf("line %q", lines[2])
	}
	if _, out, _ = w.command("quarantine", "list", "--json", "--feed", "default"); gjson.Get(out, "id").Int() != 3 || gjson.Get(out, "replayable").Bool() {
		t.Errorf("as JSON: %s", out)
	}
	if status, out, _ = w.command("quarantine", "show", "1"); status != 0 || !strings.Contains(out, "Bundle.entry[0].request.url") || strings.Contains(out, "37191") {
		t.Errorf("show: %d %s", status, out)
	}
	if status, out, _ = w.command("quarantine", "show", "1", "--body"); status != 0 || !strings.Contains(out, placement("secret-1")) {
		t.Errorf("show --body: %d %s", status, out)
	}
	if status, out, _ = w.command("quarantine", "show", "3", "--body"); status != 0 || !strings.Contains(out, "It cannot be replayed") || !strings.Contains(out, "send it again") {
		t.Errorf("show of what was not kept: %d %s", status, out)
	}
	if status, _, errs = w.command("quarantine", "replay", "3"); status != 1 || !strings.Contains(errs, "1 of 1 were not taken") {
		t.Errorf("replay of what was not kept: %d %s", status, errs)
	}

	mended := []string{"quarantine", "replay", "--all", "--feeds", "lab=https://lab.example/fhir"}
	status, out, errs = w.command("quarantine", "replay", "1", "--feeds", "lab=https://labb.example/fhir")
	if status != 1 || !strings.HasPrefix(out, "1\t400\terror value") {
		t.Errorf("still refused: %d %s %s", status, out, errs)
	}
	if _, out, _ = w.command("quarantine", "show", "1", "--json"); gjson.Get(out, "replays").Int() != 1 || gjson.Get(out, "lastReplay.status").Int() != 400 {
		t.Errorf("after a refusal: %s", out)
	}
	if n := w.count(`SELECT count(*) FROM resource`); n != 0 {
		t.Errorf("%d resources before the replay", n)
	}
	status, out, errs = w.command(mended...)
	if status != 0 || !strings.HasPrefix(out, "1\t201\t") || !strings.Contains(out, "\n2\t201\t") || !strings.Contains(errs, "1 more cannot be replayed") {
		t.Fatalf("replay: %d %s %s", status, out, errs)
	}
	if status, _, errs = w.command("quarantine", "replay", "1"); status != 1 || !strings.Contains(errs, "not taken") {
		t.Errorf("replay again: %d %s", status, errs)
	}
	if status, out, _ = w.command("quarantine", "discard", "3"); status != 0 || out != "3 discarded\n" {
		t.Errorf("discard: %d %s", status, out)
	}
	if status, _, errs = w.command("quarantine", "discard", "3"); status != 1 || !strings.Contains(errs, "there is no entry 3") {
		t.Errorf("discard again: %d %s", status, errs)
	}
	if n := w.count(`SELECT count(*) FROM quarantine`); n != 0 {
		t.Errorf("%d entries are left", n)
	}

	stay := &hospitalStay{program: w.program}
	if err := stay.rest(t.Context()); err != nil {
		t.Fatal(err)
	}
	rows, err := w.store.Overview(t.Context())
	if err != nil || len(rows) != 1 || len(gjson.GetBytes(rows[0].Answer, "filters").Array()) == 0 {
		t.Errorf("the replayed placements were not assessed: %v %+v", err, rows)
	}
	actions := map[string]int{}
	for _, action := range []string{"quarantine show", "quarantine show body", "quarantine replay", "quarantine discard"} {
		actions[action] = w.count(`SELECT count(*) FROM audit WHERE action = $1 AND caller = 'command line'`, action)
	}
	want := map[string]int{"quarantine show": 2, "quarantine show body": 2, "quarantine replay": 5, "quarantine discard": 2}
	if diff := cmp.Diff(want, actions); diff != "" {
		t.Errorf("audit (-want +got):\n%s", diff)
	}
	if strings.Contains(w.log.String()+errs, "secret") {
		t.Errorf("the log names the patient:\n%s", w.log)
	}
}

func TestQuarantineReplayedByTwoReplicasAtOnce(t *testing.T) {
	t.Parallel()
	database := dbtest.URL(t)
	first := openDoorway(t, database, map[string]string{"lab": "https://labb.example/fhir"})
	first.ask("POST", "/feeds/lab/fhir", strayBatch("p"))
	replicas := []*doorway{openDoorway(t, database, map[string]string{"lab": "https://lab.example/fhir"}), openDoorway(t, database, map[string]string{"lab": "https://lab.example/fhir"})}
	var group errgroup.Group
	statuses := make([]int, 6)
	for n := range statuses {
		group.Go(func() (err error) {
			statuses[n], _, err = ask(t.Context(), "POST", replicas[n%2].doors+"/quarantine/1/replay", "")
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	slices.Sort(statuses)
	created := 0
	for _, s := range statuses {
		switch s {
		case http.StatusCreated:
			created++
		case http.StatusOK, http.StatusNotFound:
		default:
			t.Errorf("answered %d", s)
		}
	}
	got := fmt.Sprint(created, first.count(`SELECT count(*) FROM resource`), first.count(`SELECT count(*) FROM quarantine`))
	if got != "1 1 0" {
		t.Errorf("created, stored, left in quarantine: %s, want 1 1 0 (%v)", got, statuses)
	}
	if status, _ := replicas[0].ask("POST", "/quarantine/1/replay", ""); status != http.StatusNotFound {
		t.Errorf("replay of what is gone: %d", status)
	}
}

// A crash after the resource was stored and before the entry was removed leaves an entry that does no harm.
func TestQuarantineReplayAfterACrashFindsItHere(t *testing.T) {
	t.Parallel()
	database := dbtest.URL(t)
	w := openDoorway(t, database, map[string]string{"lab": "https://labb.example/fhir"})
	w.ask("POST", "/feeds/lab/fhir", strayBatch("p"))
	if _, err := w.store.Pool().Exec(t.Context(), `CREATE TABLE saved AS SELECT * FROM quarantine`); err != nil {
		t.Fatal(err)
	}
	mended := openDoorway(t, database, map[string]string{"lab": "https://lab.example/fhir"})
	if status, answer := mended.ask("POST", "/quarantine/1/replay", ""); status != http.StatusCreated {
		t.Fatalf("%d %s", status, answer)
	}
	if _, err := w.store.Pool().Exec(t.Context(), `INSERT INTO quarantine OVERRIDING SYSTEM VALUE SELECT * FROM saved`); err != nil {
		t.Fatal(err)
	}
	status, answer := mended.ask("POST", "/quarantine/1/replay", "")
	if status != http.StatusOK || !strings.Contains(answer, "already here") {
		t.Errorf("%d %s", status, answer)
	}
	if got := fmt.Sprint(w.count(`SELECT count(*) FROM resource`), w.count(`SELECT count(*) FROM quarantine`)); got != "1 0" {
		t.Errorf("stored and left in quarantine: %s", got)
	}
}

// What was too large before the limit was raised was never read, so only the sender has it.
func TestQuarantineOfATooLargeBodySaysSo(t *testing.T) {
	t.Parallel()
	w := openDoorway(t, dbtest.URL(t), nil)
	w.ask("POST", "/fhir", `{"resourceType":"Procedure","note":"vena cava filter `+strings.Repeat("x", 11<<20)+`"}`)
	status, answer := w.ask("POST", "/quarantine/1/replay", "")
	if status != http.StatusConflict || !strings.Contains(answer, "too many to be read; the sender must send it again") {
		t.Errorf("%d %s", status, answer)
	}
	if w.count(`SELECT count(*) FROM quarantine WHERE issues->0->>'Code' = 'too-long' AND body IS NULL`) != 1 {
		t.Error("the refusal was not noted")
	}
}

// A sender may write any character of JSON as an escape. What could be read as a filter, or as a followed patient, is kept.
func TestQuarantineReadsEscapes(t *testing.T) {
	t.Parallel()
	w := openDoorway(t, dbtest.URL(t), nil)
	w.ask("POST", "/fhir", placement("p"))
	for body, want := range map[string]bool{
		`{"resourceType":"Device","id":"a","status":5,"type":{"text":"IVC\u00a0filter"}}`:                                  true,
		`{"resourceType":"Device","id":"b","status":5,"type":{"text":"\u0049VC\tfilter"}}`:                                 true,
		`{"resourceType":"Procedure","id":"c","status":5,"code":{"coding":[{"code":"3719\u0031"}]}}`:                       true,
		`{"resourceType":"Observation","id":"d","status":5,"subject":{"reference":"Patient\/secret"}}`:                     true,
		`{"resourceType":"Device","id":"g","status":5,"udiCarrier":[{"deviceIdentifier":"09520000101015"}]}`:               true,
		`{"resourceType":"Device","id":"h","status":5,"modelNumber":"LC1\u002d28"}`:                                        true,
		`{"resourceType":"Device","id":"i","status":5,"modelNumber":"LC1-29"}`:                                             false,
		`{"resourceType":"Observation","id":"e","status":5,"subject":{"reference":"Patient\/stranger"}}`:                   false,
		`{"resourceType":"Device","id":"f","status":5,"type":{"text":"IVC\\u00a0filter, of which the escape is not one"}}`: false,
	} {
		if status, answer := w.ask("POST", "/fhir", body); status != http.StatusBadRequest {
			t.Fatalf("%d %s", status, answer)
		}
		if kept := w.count(`SELECT count(*) FROM quarantine WHERE body IS NOT NULL AND id = (SELECT max(id) FROM quarantine)`) == 1; kept != want {
			t.Errorf("%s: kept %v", body, kept)
		}
	}
}
