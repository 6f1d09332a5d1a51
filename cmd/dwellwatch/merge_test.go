package main

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/tidwall/gjson"
)

// codedPlacement is a coded placement of a filter (CPT 37191), long enough ago to be asked about.
func codedPlacement(id, patient, day string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":"%s","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":"%s"}`, id, patient, day)
}

func patientLinked(id, link, other string) string {
	if other == "" {
		return fmt.Sprintf(`{"resourceType":"Patient","id":"%s"}`, id)
	}
	return fmt.Sprintf(`{"resourceType":"Patient","id":"%s","link":[{"other":{"reference":"Patient/%s"},"type":"%s"}]}`, id, other, link)
}

// hear sends a resource through the doors only: the record's own copy says something else, or nothing.
func (h *house) hear(t *testing.T, path, body string) {
	t.Helper()
	send(t, http.MethodPut, h.doors.URL+"/fhir"+path, []byte(body))
	h.atRest(t)
}

// wantOpen fails unless the open Tasks are for these patients, one each, and nobody has to look at any.
func (h *house) wantOpen(t *testing.T, when string, patients ...string) {
	t.Helper()
	want := map[string]int{}
	for _, p := range patients {
		want["Patient/"+p]++
	}
	got := map[string]int{}
	for _, list := range h.openTasks(t) {
		for _, task := range list {
			got[task.Get("for.reference").String()]++
		}
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%s: open Tasks are for %v, want %v", when, got, want)
	}
	current := map[string]int{}
	for _, raw := range h.ours(t, "DocumentReference") {
		if d := gjson.ParseBytes(raw); d.Get("status").String() == "current" {
			current[d.Get("subject.reference").String()]++
		}
	}
	// Per filter, not per key: a key that was merged leaves no document beside the one that counts.
	if fmt.Sprint(current) != fmt.Sprint(want) {
		t.Errorf("%s: current documents are for %v, want %v", when, current, want)
	}
	var waiting, failing int
	if err := h.program.store.Pool().QueryRow(t.Context(), `SELECT count(*) FILTER (WHERE attention IS NOT NULL) FROM referral`).Scan(&waiting); err != nil {
		t.Fatal(err)
	}
	if err := h.program.store.Pool().QueryRow(t.Context(), `SELECT count(*) FROM river_job WHERE state IN ('retryable','discarded','cancelled')`).Scan(&failing); err != nil {
		t.Fatal(err)
	}
	if waiting > 0 || failing > 0 {
		t.Errorf("%s: %d referrals need a person, %d jobs failed", when, waiting, failing)
	}
}

// TestMergedPatientsHaveOneTask: two followed patients turn out to be one person, with one filter; then the merge is taken back. The
// record goes on to say what it said, or hears of the merge, too. Who has the lower person id decides inside who stays, so several
// pairs are tried.
func TestMergedPatientsHaveOneTask(t *testing.T) {
	t.Parallel()
	for _, known := range []bool{true, false} {
		for n := range 4 {
			t.Run(fmt.Sprintf("record knows %v, pair %d", known, n), func(t *testing.T) {
				t.Parallel()
				h := open(t)
				old, kept := fmt.Sprintf("old-%d", n), fmt.Sprintf("kept-%d", n)
				for _, p := range []string{old, kept} {
					h.tell(t, "/Patient/"+p, patientLinked(p, "", ""))
					h.tell(t, "/Procedure/"+p+"-in", codedPlacement(p+"-in", p, "2025-10-01"))
				}
				h.wantOpen(t, "before the merge", old, kept)
				if !known {
					h.hear(t, "/Patient/"+old, patientLinked(old, "replaced-by", kept))
					h.wantOpen(t, "the record does not know of the merge", old, kept)
					return
				}
				h.tell(t, "/Patient/"+old, patientLinked(old, "replaced-by", kept))
				h.wantOpen(t, "after the merge", kept)
				h.tell(t, "/Patient/"+old, patientLinked(old, "", ""))
				h.wantOpen(t, "after the merge was taken back", old, kept)
				h.tell(t, "/Patient/"+kept, patientLinked(kept, "replaces", old))
				h.wantOpen(t, "after the second merge", kept)
			})
		}
	}
}
