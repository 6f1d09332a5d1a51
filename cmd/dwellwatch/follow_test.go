package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"

	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/filter"
)

// settled feeds one invented patient through record and doors and gives the one Task that follows.
func (h *house) settled(t *testing.T, patient string) gjson.Result {
	t.Helper()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range patients {
		if p.ID != patient {
			continue
		}
		var stored [][]byte
		for _, one := range pieces(p.Steps[0].Bundle) {
			stored = append(stored, send(t, http.MethodPut, h.peer.BaseURL+one.path, one.body))
		}
		send(t, http.MethodPost, h.doors.URL+"/fhir", transaction(stored))
	}
	h.atRest(t)
	return h.onlyTask(t)
}

// onlyTask gives the one Task of ours in the record and fails if there is another number of them.
func (h *house) onlyTask(t *testing.T) gjson.Result {
	t.Helper()
	list := h.ours(t, "Task")
	if len(list) != 1 {
		t.Fatalf("%d Tasks of ours in the record, want 1", len(list))
	}
	return gjson.ParseBytes(list[0])
}

// tell puts a resource into the record and sends the stored version through the doors, as a subscription does.
func (h *house) tell(t *testing.T, path, body string) {
	t.Helper()
	stored := send(t, http.MethodPut, h.peer.BaseURL+path, []byte(body))
	send(t, http.MethodPut, h.doors.URL+"/fhir"+path, stored)
	h.atRest(t)
}

// move changes the status of our Task as people in the record would.
func (h *house) move(t *testing.T, task gjson.Result, status string) {
	t.Helper()
	body, err := sjson.Set(task.Raw, "status", status)
	if err != nil {
		t.Fatal(err)
	}
	h.tell(t, "/Task/"+task.Get("id").String(), body)
}

func removal(patient, day string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":"%s-out","status":"completed","code":{"coding":[{"system":"http://snomed.info/sct","code":"233439000"}]},"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385669000"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":"%s"}`, patient, patient, day)
}

func observation(patient string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":"%s-hb","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"718-7"}]},"subject":{"reference":"Patient/%s"},"effectiveDateTime":"2026-02-27","valueQuantity":{"value":12.9,"unit":"g/dL","system":"http://unitsofmeasure.org","code":"g/dL"}}`, patient, patient)
}

// TestDraftIsCancelledWhenTheFilterIsOut: nobody had taken the draft, so it is withdrawn with a reason.
func TestDraftIsCancelledWhenTheFilterIsOut(t *testing.T) {
	t.Parallel()
	h := open(t)
	if got := h.settled(t, "ab-10").Get("status").String(); got != "draft" {
		t.Fatalf("status %q, want draft", got)
	}
	h.tell(t, "/Procedure/ab-10-out", removal("ab-10", "2026-02-27"))
	task := h.onlyTask(t)
	if got := task.Get("status").String(); got != "cancelled" {
		t.Errorf("status %q, want cancelled", got)
	}
	if task.Get("statusReason.text").String() == "" {
		t.Error("no statusReason")
	}
}

// TestTakenTaskIsCompletedWhenTheFilterIsOut: people had accepted the Task; the removal after it completes it.
func TestTakenTaskIsCompletedWhenTheFilterIsOut(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.move(t, h.settled(t, "ab-10"), "accepted")
	if got := h.onlyTask(t).Get("status").String(); got != "accepted" {
		t.Fatalf("status %q, want accepted: people's status is theirs", got)
	}
	h.tell(t, "/Procedure/ab-10-out", removal("ab-10", "2026-03-01"))
	if got := h.onlyTask(t).Get("status").String(); got != "completed" {
		t.Errorf("status %q, want completed", got)
	}
}

// TestRejectedIsNotAskedAgainForALab: what people declined is asked again only when the question changes, and then anew.
func TestRejectedIsNotAskedAgainForALab(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.move(t, h.settled(t, "ab-10"), "rejected")
	h.tell(t, "/Observation/ab-10-hb", observation("ab-10"))
	if got := h.onlyTask(t).Get("status").String(); got != "rejected" {
		t.Errorf("status %q, want rejected", got)
	}
	h.tell(t, "/Condition/ab-10-moved", `{"resourceType":"Condition","id":"ab-10-moved","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.525A"}]},"subject":{"reference":"Patient/ab-10"},"onsetDateTime":"2026-02-25"}`)
	open := h.openTasks(t)
	if len(open) != 1 || len(h.ours(t, "Task")) != 2 {
		t.Fatalf("%d open Tasks of %d, want 1 of 2", len(open), len(h.ours(t, "Task")))
	}
	for _, list := range open {
		if got := list[0].Get("priority").String(); got != "urgent" {
			t.Errorf("priority %q, want urgent", got)
		}
	}
}

// TestLabMakesNoNewDocument: a value that changes nothing in the answer changes nothing in the record.
func TestLabMakesNoNewDocument(t *testing.T) {
	t.Parallel()
	h := open(t)
	before := h.settled(t, "ab-10").Get("meta.versionId").String()
	h.tell(t, "/Observation/ab-10-hb", observation("ab-10"))
	if after := h.onlyTask(t).Get("meta.versionId").String(); after != before {
		t.Error("the Task was written again")
	}
	if n := len(h.ours(t, "DocumentReference")); n != 1 {
		t.Errorf("%d documents, want 1", n)
	}
}

// TestEndedUnheardIsAskedAgain: people rejected the draft and the record told nobody; then a complication comes. What they rejected
// said nothing of it, so they are asked again, once.
func TestEndedUnheardIsAskedAgain(t *testing.T) {
	t.Parallel()
	h := open(t)
	task := h.settled(t, "ab-10")
	body, err := sjson.Set(task.Raw, "status", "rejected")
	if err != nil {
		t.Fatal(err)
	}
	send(t, http.MethodPut, h.peer.BaseURL+"/Task/"+task.Get("id").String(), []byte(body))
	complication := `{"resourceType":"Condition","id":"ab-10-moved","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.525A"}]},"subject":{"reference":"Patient/ab-10"},"onsetDateTime":"2026-02-25"}`
	h.tell(t, "/Condition/ab-10-moved", complication)
	for range 2 {
		open := h.openTasks(t)
		if len(open) != 1 || len(h.ours(t, "Task")) != 2 {
			t.Fatalf("%d filters with an open Task, %d Tasks; want 1 and 2", len(open), len(h.ours(t, "Task")))
		}
		for _, list := range open {
			if got := list[0].Get("priority").String(); len(list) != 1 || got != "urgent" {
				t.Errorf("%d open Tasks, priority %q; want one, urgent", len(list), got)
			}
		}
		h.tell(t, "/Observation/ab-10-hb", observation("ab-10"))
	}
}

// TestACopyThatComesToLight: all was written, and then the record shows a second open Task and document of a filter. They are
// retired when the record tells of the Task, or else at the look that the sweep asks for.
func TestACopyThatComesToLight(t *testing.T) {
	t.Parallel()
	for name, echoed := range map[string]bool{"told by the feed": true, "found by the sweep": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := open(t)
			send(t, http.MethodPut, h.peer.BaseURL+"/Patient/p1", []byte(`{"resourceType":"Patient","id":"p1"}`))
			stored := send(t, http.MethodPut, h.peer.BaseURL+"/Procedure/in", []byte(codedPlacement("in", "p1", "2025-10-01")))
			send(t, http.MethodPut, h.doors.URL+"/fhir/Procedure/in", stored)
			h.atRest(t)
			for _, kind := range []string{"Task", "DocumentReference"} {
				raw, err := sjson.DeleteBytes(h.ours(t, kind)[0], "id")
				if err != nil {
					t.Fatal(err)
				}
				send(t, http.MethodPost, h.peer.BaseURL+"/"+kind, raw)
			}
			if echoed {
				for _, raw := range h.ours(t, "Task") {
					send(t, http.MethodPut, h.doors.URL+"/fhir/Task/"+gjson.GetBytes(raw, "id").String(), raw)
				}
				h.atRest(t)
			} else {
				looks := func(want int) {
					t.Helper()
					if n, err := h.program.store.EnqueueLooks(t.Context()); n != want || err != nil {
						t.Fatalf("%d looks, %v; want %d", n, err, want)
					}
					h.atRest(t)
				}
				looks(0) // it was written just now
				if got := h.standing(t); got != "2 2" {
					t.Fatalf("open Tasks and current documents before the look: %s", got)
				}
				age := func() {
					t.Helper()
					if _, err := h.program.store.Pool().Exec(t.Context(), `UPDATE referral SET looked_at = looked_at - interval '21 hours'`); err != nil {
						t.Fatal(err)
					}
				}
				age()
				looks(1)
				age()
				looks(1) // the last one found and retired copies, so it is looked once more
				looks(0) // nothing was amiss
			}
			if got := h.standing(t); got != "1 1" {
				t.Errorf("open Tasks and current documents: %s, want 1 1", got)
			}
		})
	}
}

// standing counts our open Tasks and current documents in the record.
func (h *house) standing(t *testing.T) string {
	t.Helper()
	open, current := 0, 0
	for _, raw := range h.ours(t, "Task") {
		if gjson.GetBytes(raw, "status").String() == "draft" {
			open++
		}
	}
	for _, raw := range h.ours(t, "DocumentReference") {
		if gjson.GetBytes(raw, "status").String() == "current" {
			current++
		}
	}
	return fmt.Sprint(open, current)
}

// TestRemovedWhileTheDatabaseWasLost: the database is lost with its draft in the record, and when it is made anew the filter is out.
func TestRemovedWhileTheDatabaseWasLost(t *testing.T) {
	t.Parallel()
	h := open(t)
	send(t, http.MethodPut, h.peer.BaseURL+"/Patient/p1", []byte(`{"resourceType":"Patient","id":"p1"}`))
	h.tell(t, "/Procedure/in", codedPlacement("in", "p1", "2025-10-01"))
	if got := h.standing(t); got != "1 1" {
		t.Fatalf("open Tasks and current documents: %s", got)
	}
	h.program.close()
	h.start(t, dbtest.URL(t))
	stored := send(t, http.MethodPut, h.peer.BaseURL+"/Procedure/p1-out", []byte(removal("p1", "2026-02-10")))
	send(t, http.MethodPut, h.doors.URL+"/fhir/Procedure/p1-out", stored)
	h.atRest(t)
	if task := h.onlyTask(t); task.Get("status").String() != "cancelled" || task.Get("statusReason.coding.0.code").String() != "removed" {
		t.Errorf("the filter is out and its Task is %s %s", task.Get("status"), task.Get("statusReason.coding.0.code"))
	}
}

// TestAskedAgainThoughTheTaskWasEnded: people complete, reject or delete the Task, and the filter stays in. After the policy's days
// the same is asked once more, by a Task that says so; not before, and not twice.
func TestAskedAgainThoughTheTaskWasEnded(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		status string // "" deletes it
		days   int    // of the policy
		said   string
	}{
		"completed": {"completed", 30, "was completed"},
		"failed":    {"failed", 30, "failed"},
		"rejected":  {"rejected", 90, "was rejected"},
		"deleted":   {"", 90, "was deleted"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := open(t)
			send(t, http.MethodPut, h.peer.BaseURL+"/Patient/p1", []byte(`{"resourceType":"Patient","id":"p1"}`))
			h.tell(t, "/Procedure/in", codedPlacement("in", "p1", "2025-10-01"))
			first := h.onlyTask(t)
			if c.status != "" {
				h.move(t, first, c.status)
			} else {
				h.tell(t, "/Task/"+first.Get("id").String(), first.Raw) // the record tells of it before it is deleted
				for _, base := range []string{h.peer.BaseURL, h.doors.URL + "/fhir"} {
					send(t, http.MethodDelete, base+"/Task/"+first.Get("id").String(), nil)
				}
				h.atRest(t)
			}
			later := func(days int) int {
				t.Helper()
				if _, err := h.program.store.Pool().Exec(t.Context(), `UPDATE referral SET state = jsonb_set(state::jsonb, '{endedOn}', to_jsonb((state->>'endedOn')::int - $1::int)) WHERE state->>'endedOn' IS NOT NULL`, days); err != nil {
					t.Fatal(err)
				}
				var persons []string
				if err := h.program.store.Pool().QueryRow(t.Context(), `SELECT array_agg(id::text) FROM person`).Scan(&persons); err != nil {
					t.Fatal(err)
				}
				// Before the job is there: one that found the day's answer saved would have nothing to do.
				if _, err := h.program.store.Pool().Exec(t.Context(), `UPDATE person SET saved_as_of = saved_as_of - 1`); err != nil {
					t.Fatal(err)
				}
				if err := h.program.store.EnqueueAssess(t.Context(), persons, filter.NewDay(2026, 3, 2), 1<<40); err != nil {
					t.Fatal(err)
				}
				h.atRest(t)
				n := 0
				for _, task := range h.ours(t, "Task") {
					if gjson.GetBytes(task, "status").String() == "draft" && gjson.GetBytes(task, "id").String() != first.Get("id").String() {
						if n++; !strings.Contains(gjson.GetBytes(task, "description").String(), c.said) {
							t.Errorf("description %s", gjson.GetBytes(task, "description"))
						}
					}
				}
				return n
			}
			if n := later(c.days - 1); n != 0 {
				t.Fatalf("%d Tasks a day too early", n)
			}
			if n := later(1); n != 1 {
				t.Fatalf("%d further Tasks, want 1", n)
			}
			if n := later(0); n != 1 {
				t.Fatalf("%d further Tasks on the day after, want 1", n)
			}
		})
	}
}

// TestALaggingSearchBringsNothingBack: a placement is deleted, and the record's search still finds it when the next one makes the
// service read the context anew.
func TestALaggingSearchBringsNothingBack(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.tell(t, "/Patient/a", patientLinked("a", "", ""))
	h.tell(t, "/Procedure/p", codedPlacement("p", "a", "2025-09-01"))
	h.wantOpen(t, "placed", "a")
	h.peer.Habits(t, map[string]any{"searchLags": true})
	send(t, http.MethodDelete, h.peer.BaseURL+"/Procedure/p", nil)
	send(t, http.MethodDelete, h.doors.URL+"/fhir/Procedure/p", nil)
	h.atRest(t)
	h.tell(t, "/Procedure/q", codedPlacement("q", "a", "2025-11-20"))
	var counts string
	const read = `SELECT string_agg(id, ' ' ORDER BY id) FROM resource WHERE type = 'Procedure' AND current AND NOT deleted`
	if err := h.program.store.Pool().QueryRow(t.Context(), read).Scan(&counts); err != nil {
		t.Fatal(err)
	}
	if counts != "q" {
		t.Errorf("%q count, want q alone", counts)
	}
	if fired := h.peer.Log(t).Fired["searchLags"]; fired == 0 {
		t.Error("no search lagged behind")
	}
	h.peer.Habits(t, nil)
	h.wantOpen(t, "deleted, and another placed", "a")
}
