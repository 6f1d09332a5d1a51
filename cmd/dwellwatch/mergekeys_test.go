package main

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"

	"dwellwatch/internal/dbtest"
)

// pair is a house with two filters, or what looks like two, each asked about; in order of birth of their keys they are a and b.
type pair struct {
	*house
	names map[string]string // of keys
}

// twoFilters is one patient with two coded placements far apart.
func twoFilters(t *testing.T) pair {
	t.Helper()
	h := pair{open(t), map[string]string{}}
	send(t, http.MethodPut, h.peer.BaseURL+"/Patient/p1", []byte(`{"resourceType":"Patient","id":"p1"}`))
	h.place(t, "a", "p1", "2025-09-01")
	h.place(t, "b", "p1", "2025-11-20")
	return h.named(t)
}

// twoPatients is two patients with a filter each; first and second are their ids.
func twoPatients(t *testing.T, first, second string) pair {
	t.Helper()
	h := pair{open(t), map[string]string{}}
	for _, id := range []string{first, second} {
		h.tell(t, "/Patient/"+id, patientLinked(id, "", ""))
	}
	h.place(t, "a", first, "2025-10-01")
	h.place(t, "b", second, "2025-10-01")
	return h.named(t)
}

func (h pair) place(t *testing.T, name, patient, day string) {
	t.Helper()
	h.tell(t, "/Procedure/in-"+name, codedPlacement("in-"+name, patient, day))
}

func (h pair) named(t *testing.T) pair {
	t.Helper()
	for key, list := range h.openTasks(t) {
		h.names[key] = strings.TrimPrefix(list[0].Get("focus.reference").String(), "Procedure/in-")
	}
	if got := h.standing(t); len(h.names) != 2 || got != "2 2" {
		t.Fatalf("before the merge: %d keys, open Tasks and current documents: %s", len(h.names), got)
	}
	return h
}

// decline has people reject the open Task of a filter in the record, and nobody tells of it.
func (h pair) decline(t *testing.T, name string) {
	t.Helper()
	for key, list := range h.openTasks(t) {
		if h.names[key] == name {
			send(t, http.MethodPut, h.peer.BaseURL+"/Task/"+list[0].Get("id").String(), []byte(strings.Replace(list[0].Raw, `"draft"`, `"rejected"`, 1)))
		}
	}
}

// answer has people end the open Task of a filter.
func (h pair) answer(t *testing.T, name, status string) {
	t.Helper()
	for key, list := range h.openTasks(t) {
		if h.names[key] == name {
			h.move(t, list[0], status)
		}
	}
}

// want fails unless our entries stand so in the record: per key the Tasks and the documents, and the first status of its documents in alphabetical order:
// current, entered-in-error, superseded.
func (h pair) want(t *testing.T, when string, want ...string) {
	t.Helper()
	tasks, documents := map[string][]string{}, map[string][]string{}
	for _, raw := range h.ours(t, "Task") {
		task := gjson.ParseBytes(raw)
		said := task.Get("status").String()
		if why := task.Get("statusReason.coding.0.code").String(); why != "" {
			said += " " + why
		}
		tasks[seriesOf(task)] = append(tasks[seriesOf(task)], said)
	}
	for _, raw := range h.ours(t, "DocumentReference") {
		d := gjson.ParseBytes(raw)
		documents[seriesOf(d)] = append(documents[seriesOf(d)], d.Get("status").String())
	}
	var got []string
	for key, list := range tasks {
		name := h.names[key]
		if name == "" {
			name = "another key"
		}
		slices.Sort(list)
		// How many revisions a document went through is not what this is about.
		last := slices.MinFunc(documents[key], func(a, b string) int { return strings.Compare(a, b) })
		got = append(got, name+": Task "+strings.Join(list, ", ")+"; document "+last)
	}
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", when, diff)
	}
}

// TestMergedKeysLeaveOneDocument: a day is corrected, and what looked like two filters is one. The Task and the document of the key that
// steps back end together, and both documents are errors once the record has taken everything back.
func TestMergedKeysLeaveOneDocument(t *testing.T) {
	t.Parallel()
	wrong := func(name, day string) string {
		return strings.Replace(codedPlacement("in-"+name, "p1", day), `"completed"`, `"entered-in-error"`, 1)
	}
	t.Run("all taken back", func(t *testing.T) {
		t.Parallel()
		h := twoFilters(t)
		h.place(t, "b", "p1", "2025-09-01")
		h.want(t, "after the merge", "a: Task draft; document current", "b: Task cancelled merged; document superseded")
		h.tell(t, "/Procedure/in-a", wrong("a", "2025-09-01"))
		h.tell(t, "/Procedure/in-b", wrong("b", "2025-09-01"))
		for key, name := range h.names {
			current, mistaken := 0, 0
			for _, raw := range h.ours(t, "DocumentReference") {
				if d := gjson.ParseBytes(raw); seriesOf(d) == key {
					switch d.Get("status").String() {
					case "current":
						current++
					case "entered-in-error":
						mistaken++
					}
				}
			}
			if current != 0 || mistaken != 1 {
				t.Errorf("%s: %d documents current and %d in error, want the last one in error", name, current, mistaken)
			}
		}
	})
	t.Run("what stood under the merged key taken back", func(t *testing.T) {
		t.Parallel()
		h := twoFilters(t)
		h.place(t, "b", "p1", "2025-09-01")
		h.tell(t, "/Procedure/in-b", wrong("b", "2025-09-01"))
		h.want(t, "after the retraction", "a: Task draft; document current", "b: Task cancelled merged; document entered-in-error")
	})
	t.Run("the database is lost in between", func(t *testing.T) {
		t.Parallel()
		h := twoFilters(t)
		h.program.close()
		send(t, http.MethodPut, h.peer.BaseURL+"/Procedure/in-b", []byte(codedPlacement("in-b", "p1", "2025-09-01")))
		h.start(t, dbtest.URL(t))
		h.place(t, "a", "p1", "2025-09-01")
		if got := h.standing(t); got != "1 1" {
			t.Errorf("open Tasks and current documents: %s", got)
		}
	})
}

// TestMergeAndWhatPeopleDeclined: what people declined in one record is no answer to what stands open in the other, and when the merge
// is taken back each key is where it was.
func TestMergeAndWhatPeopleDeclined(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name     string
		declined string // names
		merged   []string
		apart    []string
	}{
		{"the older", "a",
			[]string{"a: Task rejected; document superseded", "b: Task draft; document current"},
			[]string{"a: Task rejected; document current", "b: Task draft; document current"}},
		{"the younger", "b",
			[]string{"a: Task draft; document current", "b: Task rejected; document superseded"},
			[]string{"a: Task draft; document current", "b: Task rejected; document current"}},
		{"both", "ab",
			[]string{"a: Task rejected; document current", "b: Task rejected; document superseded"},
			[]string{"a: Task rejected; document current", "b: Task rejected; document current"}},
		{"neither", "",
			[]string{"a: Task draft; document current", "b: Task cancelled merged; document superseded"},
			[]string{"a: Task draft; document current", "b: Task cancelled merged, draft; document current"}},
	} {
		t.Run("a day is corrected, declined: "+c.name, func(t *testing.T) {
			t.Parallel()
			h := twoFilters(t)
			for _, name := range strings.Split(c.declined, "") {
				h.answer(t, name, "rejected")
			}
			h.place(t, "b", "p1", "2025-09-01")
			h.want(t, "after the merge", c.merged...)
			h.place(t, "b", "p1", "2025-11-20")
			h.want(t, "after the merge was taken back", c.apart...)
		})
		for n, ids := range [][2]string{{"pa", "pb"}, {"pb", "pa"}, {"pc", "pd"}, {"pd", "pc"}} {
			t.Run(fmt.Sprintf("patients are merged, pair %d, declined: %s", n, c.name), func(t *testing.T) {
				t.Parallel()
				h := twoPatients(t, ids[0], ids[1])
				for _, name := range strings.Split(c.declined, "") {
					h.answer(t, name, "rejected")
				}
				wantOpen := 1
				if c.declined == "ab" {
					wantOpen = 0
				}
				h.tell(t, "/Patient/"+ids[0], patientLinked(ids[0], "replaced-by", ids[1]))
				h.wantOpenNumber(t, "after the merge", wantOpen)
				h.tell(t, "/Patient/"+ids[0], patientLinked(ids[0], "", ""))
				h.wantOpenNumber(t, "after the merge was taken back", 2-len(c.declined))
			})
		}
	}
}

// TestMergeAndWhatWasDeclinedUnheard: that people declined of one patient is only read when the merge has the context read.
func TestMergeAndWhatWasDeclinedUnheard(t *testing.T) {
	t.Parallel()
	for declined, other := range map[string]string{"a": "b", "b": "a"} {
		for n, ids := range [][2]string{{"pa", "pb"}, {"pb", "pa"}} {
			t.Run(fmt.Sprintf("%s, pair %d", declined, n), func(t *testing.T) {
				t.Parallel()
				h := twoPatients(t, ids[0], ids[1])
				h.decline(t, declined)
				h.tell(t, "/Patient/"+ids[0], patientLinked(ids[0], "replaced-by", ids[1]))
				h.wantOpenNumber(t, "after the merge", 1)
				for key := range h.openTasks(t) {
					if h.names[key] != other {
						t.Errorf("what stands open is under the key of %s", h.names[key])
					}
				}
				h.tell(t, "/Patient/"+ids[0], patientLinked(ids[0], "", ""))
				h.wantOpenNumber(t, "after the merge was taken back", 1)
			})
		}
	}
}

// wantOpenNumber fails unless so many Tasks are open, at most one of each patient and for that patient's filter, each with a current
// document of its own.
func (h pair) wantOpenNumber(t *testing.T, when string, want int) {
	t.Helper()
	number, of := 0, map[string]int{}
	for key, list := range h.openTasks(t) {
		number += len(list)
		for _, task := range list {
			of[task.Get("for.reference").String()]++
		}
		if h.names[key] == "" {
			t.Errorf("%s: a Task under a key that is neither's", when)
		}
	}
	current := map[string]int{}
	for _, raw := range h.ours(t, "DocumentReference") {
		if d := gjson.ParseBytes(raw); d.Get("status").String() == "current" {
			current[d.Get("subject.reference").String()]++
		}
	}
	for patient, n := range of {
		if n != 1 || current[patient] != 1 {
			t.Errorf("%s: %s has %d open Tasks and %d current documents", when, patient, n, current[patient])
		}
	}
	if number != want {
		t.Errorf("%s: %d open Tasks, want %d", when, number, want)
	}
}

// TestPatientsThatReplaceEachOther: two Patients each say that the other has replaced them. They are one person with one filter, one
// open Task and one current document, and hearing it again changes nothing.
func TestPatientsThatReplaceEachOther(t *testing.T) {
	t.Parallel()
	h := twoPatients(t, "c1", "c2")
	h.tell(t, "/Patient/c1", patientLinked("c1", "replaced-by", "c2"))
	h.tell(t, "/Patient/c2", patientLinked("c2", "replaced-by", "c1"))
	if got := h.standing(t); got != "1 1" {
		t.Fatalf("open Tasks and current documents: %s", got)
	}
	before := len(h.ours(t, "Task")) + len(h.ours(t, "DocumentReference"))
	for range 2 {
		h.tell(t, "/Patient/c1", patientLinked("c1", "replaced-by", "c2"))
		h.tell(t, "/Patient/c2", patientLinked("c2", "replaced-by", "c1"))
	}
	if got, now := h.standing(t), len(h.ours(t, "Task"))+len(h.ours(t, "DocumentReference")); got != "1 1" || now != before {
		t.Errorf("open Tasks and current documents: %s; %d entries of ours, want %d", got, now, before)
	}
}
