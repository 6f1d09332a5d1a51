package main

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/tidwall/gjson"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/peertest"
)

// settleWithin bounds the one wait at the end. A new leader of the queue is elected within 20 seconds, killed jobs are
// taken up at the next look after DWELLWATCH_RESCUE_AFTER, which comes every 30 seconds.
const settleWithin = 5 * time.Minute

// unrest counts what is still to be done: jobs, persons behind their chart, contexts not pulled, referrals not written.
type unrest struct{ jobs, behind, unpulled, unwritten, attention int }

func readUnrest(ctx context.Context, db *pgx.Conn) (unrest, error) {
	const read = `
		SELECT (SELECT count(*) FROM river_job WHERE state IN ('available', 'pending', 'running')
				OR state IN ('retryable', 'scheduled') AND scheduled_at < now() + interval '20 minutes'),
			(SELECT count(*) FROM person WHERE followed AND coalesce(saved_version, 0) < chart_version),
			(SELECT count(*) FROM person WHERE followed AND (pull_wanted = 0 OR pull_done < pull_wanted)),
			(SELECT count(*) FROM referral WHERE written_version < version AND coalesce(attention_version, -1) < version),
			(SELECT count(*) FROM referral WHERE attention_version = version)`
	var u unrest
	err := db.QueryRow(ctx, read).Scan(&u.jobs, &u.behind, &u.unpulled, &u.unwritten, &u.attention)
	return u, err
}

// connect opens a connection of the test's own.
func connect(t *testing.T, database string) *pgx.Conn {
	t.Helper()
	db, err := pgx.Connect(t.Context(), database)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close(context.Background()) })
	return db
}

// converged waits once until everybody followed is assessed and everything wanted is written.
func converged(t *testing.T, db *pgx.Conn) time.Duration {
	t.Helper()
	began := time.Now()
	var u unrest
	for quiet := 0; quiet < 20; time.Sleep(100 * time.Millisecond) {
		var err error
		if u, err = readUnrest(t.Context(), db); err != nil {
			t.Fatal(err)
		}
		quiet++
		if u != (unrest{attention: u.attention}) {
			quiet = 0
		}
		if time.Since(began) > settleWithin {
			t.Fatalf("no rest after %s: %+v", settleWithin, u)
		}
	}
	if u.attention > 0 {
		t.Errorf("%d referrals wait for a person", u.attention)
	}
	return time.Since(began)
}

// verdict is what the final check found.
type verdict struct{ acknowledged, wanted, missing, doubled, unwanted, tasks, documents, retired int }

// judge compares database and record with what the pure core makes of everything acknowledged.
func (w *ward) judge(t *testing.T, db *pgx.Conn, peer *peertest.Peer, s *sender, today filter.Day) verdict {
	t.Helper()
	v := verdict{}
	followed := followedPatients(t, db)
	w.checkKept(t, db, s, followed, &v)
	want, filters := w.wanted(t, followed, today)
	keeper := keepers(t, db)
	got := map[string]int{}
	current := map[string]int{}                      // per key
	open, told := map[string]int{}, map[string]int{} // per filter, by the key that it keeps: open Tasks and current documents
	about := map[string]int{}                        // current documents per person, by the first of the person's patients
	for _, raw := range peer.Search(t, "DocumentReference?_count=1000") {
		d := gjson.ParseBytes(raw)
		if key := seriesOf(d); key != "" {
			v.documents++
			if d.Get("status").String() == "current" {
				current[key]++
				told[cmp.Or(keeper[key], key)]++
				about[filters.person(d.Get("subject.reference").String())]++
			}
		}
	}
	for _, raw := range peer.Search(t, "Task?_count=1000") {
		task := gjson.ParseBytes(raw)
		key := seriesOf(task)
		if key == "" {
			continue
		}
		v.tasks++
		if task.Get(`statusReason.coding.#(system=="`+compose.ClosedSystem+`").code`).String() == "duplicate" {
			v.retired++
		}
		if task.Get("status").String() != "draft" {
			continue
		}
		open[cmp.Or(keeper[key], key)]++
		got[task.Get("for.reference").String()+" "+task.Get("priority").String()]++
		if current[key] == 0 {
			v.missing++
			t.Errorf("filter %s has an open Task and no current document", key)
		}
	}
	for _, counted := range []map[string]int{open, told} {
		for key, n := range counted {
			if n > 1 {
				v.doubled += n - 1
				t.Errorf("filter %s has %d open Tasks and %d current documents", key, open[key], told[key])
			}
		}
	}
	// What the service takes for one filter is its own word; how many filters there are is not.
	for person, n := range about {
		if person != "" && n > filters.number[person] {
			v.doubled += n - filters.number[person]
			t.Errorf("%s has %d filters and %d current documents", person, filters.number[person], n)
		}
	}
	for asked := range maps.Keys(merged(want, got)) {
		v.missing += max(0, want[asked]-got[asked])
		v.unwanted += max(0, got[asked]-want[asked])
	}
	for _, n := range want {
		v.wanted += n
	}
	if v.wanted == 0 {
		t.Error("no Task is wanted at all: nothing was tested")
	}
	if diff := gocmp.Diff(want, got); diff != "" {
		t.Errorf("open Tasks (-want +got):\n%s", diff)
	}
	return v
}

func merged(a, b map[string]int) map[string]int {
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
}

func seriesOf(resource gjson.Result) string {
	return resource.Get(`identifier.#(system=="` + compose.SeriesSystem + `").value`).String()
}

func followedPatients(t *testing.T, db *pgx.Conn) map[string]bool {
	t.Helper()
	rows, err := db.Query(t.Context(), `SELECT patient_id FROM person_alias JOIN person ON person.id = person_id WHERE followed`)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]bool{}
	for _, id := range list {
		out[id] = true
	}
	return out
}

// keepers gives, for each key that was merged, the one that its filter keeps.
func keepers(t *testing.T, db *pgx.Conn) map[string]string {
	t.Helper()
	const read = `
		WITH RECURSIVE up AS (
			SELECT key, merged_into FROM filter_key WHERE merged_into IS NOT NULL
			UNION SELECT up.key, k.merged_into FROM up JOIN filter_key k ON k.key = up.merged_into WHERE k.merged_into IS NOT NULL)
		SELECT up.key, up.merged_into FROM up JOIN filter_key k ON k.key = up.merged_into WHERE k.merged_into IS NULL`
	rows, err := db.Query(t.Context(), read)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	var key, kept string
	if _, err := pgx.ForEachRow(rows, []any{&key, &kept}, func() error { out[key] = kept; return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

// filtersOf says how many filters the pure core sees in each person, by the name of one of the person's patients.
type filtersOf struct {
	number map[string]int
	names  map[string]string // of every patient of a followed person
}

func (f filtersOf) person(patient string) string { return f.names[patient] }

// wanted gives the Tasks that should be open, as "patient priority" with their number, and how many filters there are. A patient
// whose last evidence was taken back may be unknown to the service; anybody else with evidence must be followed.
func (w *ward) wanted(t *testing.T, followed map[string]bool, today filter.Day) (map[string]int, filtersOf) {
	t.Helper()
	var all []fhir.Resource
	evidence := map[string]bool{}
	for _, d := range w.newest {
		if d.body == nil {
			continue
		}
		r := decoded(t, d.body)
		all = append(all, r)
		if w.screener.Item("default", r).Evidence {
			evidence[d.patient] = true
		}
	}
	for _, id := range w.patients {
		if evidence[id] && !followed[id] {
			t.Errorf("Patient/%s has filter evidence and is not followed", id)
		}
	}
	out, filters := map[string]int{}, filtersOf{map[string]int{}, map[string]string{}}
	for _, rec := range assess.Split(all) {
		if !slices.ContainsFunc(rec.Entries, func(e chart.Entry) bool { return followed[e.ID] && e.Type == "Patient" }) {
			continue
		}
		rec.Context = assess.ContextPulled
		answer := assess.Patient(rec, w.basis, today)
		for _, e := range rec.Entries {
			if e.Type == "Patient" {
				filters.names["Patient/"+e.ID] = answer.Assessment.Patient
			}
		}
		filters.number[answer.Assessment.Patient] = len(answer.Assessment.Filters)
		for _, want := range answer.Wants() {
			if want.Reason == draft.Wanted {
				out[answer.Assessment.Patient+" "+want.Priority]++
			}
		}
	}
	return out, filters
}

// storedRow is what the database says of one version.
type storedRow struct {
	path, versionID, lastUpdated string
	current, gone                bool
}

// checkKept compares the kept versions with the acknowledgements: what the service said it keeps is there, and the newest
// version of every resource of a followed patient is the one that counts.
func (w *ward) checkKept(t *testing.T, db *pgx.Conn, s *sender, followed map[string]bool, v *verdict) {
	t.Helper()
	const read = `
		SELECT type || '/' || id, version_id, coalesce(to_char(last_updated AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.MS"Z"'), ''),
			current, deleted OR retracted
		FROM resource WHERE type <> 'Task'`
	rows, err := db.Query(t.Context(), read)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (storedRow, error) {
		var r storedRow
		err := row.Scan(&r.path, &r.versionID, &r.lastUpdated, &r.current, &r.gone)
		return r, err
	})
	if err != nil {
		t.Fatal(err)
	}
	versions, current := map[string][]string{}, map[string]storedRow{}
	for _, r := range list {
		versions[r.path] = append(versions[r.path], r.versionID)
		if r.current {
			current[r.path] = r
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	v.acknowledged = s.delivered
	for path, stamps := range s.kept {
		for stamp := range stamps {
			versionID, _, _ := cut(stamp)
			if w.newest[path].path != "" && !slices.Contains(versions[path], versionID) {
				v.missing++
				t.Errorf("version %s of %s was acknowledged as kept and is not there", versionID, path)
			}
		}
	}
	for path, d := range w.newest {
		if !followed[d.patient] {
			continue
		}
		have, found := current[path]
		taken := d.body == nil || gjson.GetBytes(d.body, "status").String() == "entered-in-error"
		switch {
		case taken && found && !have.gone:
			v.unwanted++
			t.Errorf("%s was taken back and counts", path)
		case taken:
		case !found || have.versionID != gjson.GetBytes(d.body, "meta.versionId").String():
			v.missing++
			t.Errorf("the newest version of %s (%d) was acknowledged and does not count; what counts: %+v", path, d.nth, have)
		}
	}
}

// cut parts a stamp into version and time.
func cut(stamp string) (versionID, updated string, ok bool) {
	for i := range stamp {
		if stamp[i] == ' ' {
			return stamp[:i], stamp[i+1:], true
		}
	}
	return stamp, "", false
}

func (v verdict) String() string {
	return fmt.Sprintf("acknowledged %d, Tasks wanted %d, missing=%d, doubled=%d, open and not wanted=%d (in the record %d Tasks, %d documents, %d retired copies)",
		v.acknowledged, v.wanted, v.missing, v.doubled, v.unwanted, v.tasks, v.documents, v.retired)
}
