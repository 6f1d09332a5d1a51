package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/screen"
)

// telling is one version of one resource as a sender tells it.
type telling struct {
	path    string // Type/id
	patient string // id
	nth     int    // from 1, in the order in which the record came to know them
	body    []byte // nil: deleted
}

// stamp is what the service may know a version by.
func (d telling) stamp() string {
	return gjson.GetBytes(d.body, "meta.versionId").String() + " " + gjson.GetBytes(d.body, "meta.lastUpdated").String()
}

// ward is many invented patients: all that is told of them, and what holds in the end.
type ward struct {
	basis                  assess.Basis
	screener               screen.Screener
	queue                  []telling // in the order of sending, repeats included
	duplicates, outOfOrder int
	merges, partings       int
	newest                 map[string]telling
	patients               []string
}

// newWard makes patients after those of the demonstration, adds later versions, retractions, corrections, deletions and
// removals, and puts the charts into the record: of one patient in every "whole" as a whole, of the others without the
// filter evidence, which is in the feed alone. What of it the service loses comes back by no pull.
func newWard(t *testing.T, c *chaos, size, whole int) *ward {
	t.Helper()
	hospital, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	rng, basis := c.rng, c.basis
	w := &ward{basis: basis, screener: screen.Screener{Sets: basis.Sets, Models: basis.Models}, newest: map[string]telling{}}
	order := rng.Perm(len(hospital))
	for n := range size {
		p := hospital[order[n%len(order)]]
		id := fmt.Sprintf("%s-w%d", p.ID, n)
		other := ""
		if n > 0 && rng.IntN(3) == 0 {
			other = w.patients[n-1]
		}
		w.patients = append(w.patients, id)
		// A record that holds the whole chart cannot tell of what it deleted: a feed that is sent again from its start would
		// rightly bring such an entry back until its deletion comes again. So where all are whole nothing is deleted.
		for _, versions := range w.merged(rng, w.courses(rng, p, id, whole > 1), other) {
			w.tell(t, rng, c.peer, versions, n%whole != 0)
		}
	}
	rng.Shuffle(len(w.queue), func(i, j int) { w.queue[i], w.queue[j] = w.queue[j], w.queue[i] })
	seen := map[string]int{}
	for _, d := range w.queue {
		if d.nth < seen[d.path] {
			w.outOfOrder++
		}
		seen[d.path] = max(seen[d.path], d.nth)
	}
	return w
}

// courses gives, per resource of one patient, its versions in order.
func (w *ward) courses(rng *rand.Rand, p demo.Patient, id string, deletes bool) [][]telling {
	var paths []string
	versions := map[string][]telling{}
	add := func(path string, body []byte) {
		if _, known := versions[path]; !known {
			paths = append(paths, path)
		}
		versions[path] = append(versions[path], telling{path: path, patient: id, nth: len(versions[path]) + 1, body: body})
	}
	for _, step := range p.Steps {
		for _, one := range pieces(step.Bundle) {
			add(strings.ReplaceAll(one.path, p.ID, id)[1:], bytes.ReplaceAll(one.body, []byte(p.ID), []byte(id)))
		}
	}
	if rng.IntN(6) == 0 {
		out := removal(id, "2026-10-20")
		add("Procedure/"+id+"-out", []byte(strings.Replace(out, `"completed"`, `"in-progress"`, 1)))
		add("Procedure/"+id+"-out", []byte(out))
	}
	if rng.IntN(5) == 0 {
		// Two filters that are one, once a day is corrected; now and then they are told apart again.
		for turn, day := range []string{"2025-11-20", "2025-09-01", "2025-11-20"}[:2+rng.IntN(2)] {
			if turn == 0 {
				add("Procedure/"+id+"-in-a", []byte(codedPlacement(id+"-in-a", id, "2025-09-01")))
			}
			add("Procedure/"+id+"-in-b", []byte(codedPlacement(id+"-in-b", id, day)))
		}
	}
	for _, path := range paths {
		last := versions[path][len(versions[path])-1].body
		kind, _, _ := strings.Cut(path, "/")
		tells := slices.Contains([]string{"Device", "Procedure", "DeviceUseStatement"}, kind)
		if rng.IntN(4) == 0 {
			last = with(last, "language", "en")
			add(path, last)
		}
		if tells && rng.IntN(7) == 0 {
			add(path, with(last, "status", "entered-in-error"))
			if rng.IntN(2) == 0 {
				add(path, last)
			}
		}
		if tells && deletes && rng.IntN(18) == 0 {
			add(path, nil)
		}
	}
	var out [][]telling
	for _, path := range paths {
		out = append(out, versions[path])
	}
	return out
}

// merged has the record merge a patient with another, which it may take back, and do again after all.
func (w *ward) merged(rng *rand.Rand, courses [][]telling, other string) [][]telling {
	for n, versions := range courses {
		if other == "" || !strings.HasPrefix(versions[0].path, "Patient/") {
			continue
		}
		alone := versions[len(versions)-1]
		link := `[{"other":{"reference":"Patient/` + other + `"},"type":"` + []string{"replaced-by", "replaces"}[rng.IntN(2)] + `"}]`
		linked := alone
		var err error
		if linked.body, err = sjson.SetRawBytes(bytes.Clone(alone.body), "link", []byte(link)); err != nil {
			panic(err) // the bytes are our own
		}
		for turn := range 1 + rng.IntN(3) {
			next := linked
			if w.merges++; turn == 1 {
				next = alone
				w.merges--
				w.partings++
			}
			next.nth = len(versions) + 1
			versions = append(versions, next)
		}
		courses[n] = versions
	}
	return courses
}

func with(body []byte, path, value string) []byte {
	out, err := sjson.SetBytes(bytes.Clone(body), path, value)
	if err != nil {
		panic(err) // the bytes are our own
	}
	return out
}

// tell stamps the versions of one resource, by the record where it holds them, and queues them, some twice.
func (w *ward) tell(t *testing.T, rng *rand.Rand, peer *peertest.Peer, versions []telling, feedOnly bool) {
	t.Helper()
	for _, v := range versions {
		feedOnly = feedOnly && (v.body == nil || w.evidence(t, v.body) || gjson.GetBytes(v.body, "status").String() == "entered-in-error")
	}
	for _, v := range versions {
		switch {
		case v.body == nil && !feedOnly:
			send(t, http.MethodDelete, peer.BaseURL+"/"+v.path, nil)
		case v.body == nil:
		case feedOnly:
			v.body = with(v.body, "meta.versionId", fmt.Sprint(v.nth))
			v.body = with(v.body, "meta.lastUpdated", time.Date(2026, 2, 1, v.nth, 0, 0, 0, time.UTC).Format(time.RFC3339))
		default:
			v.body = send(t, http.MethodPut, peer.BaseURL+"/"+v.path, v.body)
			time.Sleep(2 * time.Millisecond) // the record's stamps count milliseconds, and two versions must differ
		}
		w.newest[v.path] = v
		w.queue = append(w.queue, v)
		if rng.IntN(4) == 0 {
			w.queue = append(w.queue, v)
			w.duplicates++
		}
	}
}

func (w *ward) evidence(t *testing.T, body []byte) bool {
	return w.screener.Item("default", decoded(t, body)).Evidence
}

func decoded(t *testing.T, body []byte) fhir.Resource {
	t.Helper()
	r, err := fhir.Decode(body)
	if err != nil {
		t.Fatal(err)
	}
	return r
}
