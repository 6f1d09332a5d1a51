package main

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/dbtest"
)

// TestAFullDatabaseIsTriedAgainWithPauses: PostgreSQL refuses the save for want of disk (SQLSTATE 53100,
// https://www.postgresql.org/docs/current/errcodes-appendix.html). The job counts its tries and says so, and ends when there is room.
func TestAFullDatabaseIsTriedAgainWithPauses(t *testing.T) {
	t.Parallel()
	w := openDoorway(t, dbtest.URL(t), nil)
	run := func(sql string) {
		t.Helper()
		if _, err := w.store.Pool().Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	run(`CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'full' USING ERRCODE = '53100'; END $$`)
	run(`CREATE TRIGGER full_disk BEFORE INSERT ON assessment FOR EACH ROW EXECUTE FUNCTION full_disk()`)
	if status, answer := w.ask("POST", "/fhir", placement("p")); status != http.StatusCreated {
		t.Fatalf("%d %s", status, answer)
	}
	eventually := func(what, sql string) {
		t.Helper()
		for deadline := time.Now().Add(time.Minute); w.count(sql) == 0; time.Sleep(50 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("%s: not within a minute\n%s", what, w.log.String())
			}
		}
	}
	eventually("a second try", `SELECT count(*) FROM river_job WHERE kind = 'assess_patient' AND attempt >= 2`)
	if n := w.count(`SELECT count(*) FROM river_job WHERE metadata ? 'snoozes'`); n != 0 {
		t.Error("the tries were not counted as tries")
	}
	if log := w.log.String(); !strings.Contains(log, "SQLSTATE 53100") || strings.Contains(log, "secret") {
		t.Errorf("the log does not say why, or says too much: %s", log)
	}
	run(`DROP TRIGGER full_disk ON assessment`)
	eventually("the assessment", `SELECT count(*) FROM assessment`)
}
