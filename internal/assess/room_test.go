package assess_test

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/filter"
)

// TestRoomIsNoPartOfAResult: what was assessed in one Room, by documents decoded in one, stays what it was when many more are.
func TestRoomIsNoPartOfAResult(t *testing.T) {
	t.Parallel()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	var bodies [][]byte
	for _, p := range patients {
		for _, s := range p.Steps {
			bodies = append(bodies, s.Bundle)
		}
	}
	b, on := basis(t), filter.NewDay(2026, 3, 1)
	var documents fhir.Room
	var room assess.Room
	var kept, want []assess.Result
	for _, body := range append(bodies, bodies...) {
		_, bundle, err := documents.DecodeWhole(body)
		if err != nil {
			t.Fatal(err)
		}
		var loose []fhir.Resource
		for _, e := range bundle.Entries {
			loose = append(loose, e.Resource)
		}
		for _, rec := range room.Split(loose) {
			kept = append(kept, room.Patient(rec, b, on))
		}
		for _, rec := range assess.Split(resources(t, body)) {
			want = append(want, assess.Patient(rec, b, on))
		}
	}
	if len(kept) < 30 {
		t.Fatalf("only %d results", len(kept))
	}
	for i := range want {
		if diff := cmp.Diff(whole(want[i]), whole(kept[i]), cmpopts.IgnoreUnexported(assess.Result{})); diff != "" {
			t.Errorf("(-fresh +in a room):\n%s", diff)
		}
	}
}

// TestRoomOfGeneratedPatients is the same for records as conflicting tellers send them, some with several filters.
func TestRoomOfGeneratedPatients(t *testing.T) {
	t.Parallel()
	b := basis(t)
	var room assess.Room
	type pair struct {
		got  assess.Result
		want string
	}
	var pairs []pair
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		rec := recordOf(resources, nil)
		pairs = append(pairs, pair{room.Patient(rec, b, asOf), encode(t, whole(assess.Patient(rec, b, asOf)))})
	})
	for _, p := range pairs {
		body, err := json.Marshal(whole(p.got))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(p.want, string(body)); diff != "" {
			t.Fatalf("(-fresh +in a room):\n%s", diff)
		}
	}
}
