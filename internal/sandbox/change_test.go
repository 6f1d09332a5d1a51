package sandbox_test

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dwellwatch/internal/demo"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
)

func TestChangesAreToldInOrder(t *testing.T) {
	t.Parallel()
	b := setup(t)
	var got []string
	b.record.OnChange(func(kind, typ, id string, body []byte) {
		got = append(got, fmt.Sprintf("%s %s/%s v%s", kind, typ, id, gjson.GetBytes(body, "meta.versionId")))
		if id == "t1" && kind == "PUT" && len(got) == 1 { // a listener may write to the record
			b.expect(201, "PUT", "/Task/inner", task("inner", "i", "p"))
		}
	})
	b.expect(201, "PUT", "/Task/t1", task("t1", "a", "p"))
	b.expect(200, "PUT", "/Task/t1", task("t1", "a", "p"))
	b.expect(412, "PUT", "/Task/t1", task("t1", "a", "p"), `If-Match: W/"1"`)
	b.expect(200, "POST", "/", transaction(entry("PUT", "Task/t2", "", task("t2", "b", "p"), ""), entry("DELETE", "Task/t1", "", "", "")))
	want := []string{"PUT Task/t1 v1", "PUT Task/inner v1", "PUT Task/t1 v2", "DELETE Task/t1 v", "PUT Task/t2 v1"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestLoadKeepsMeta(t *testing.T) {
	t.Parallel()
	const given = `{"resourceType":"Task","id":"t1","meta":{"versionId":"%s","lastUpdated":"2025-01-02T03:04:05Z"}}`
	b := setup(t, []byte(transaction(entry("PUT", "Task/t1", "", fmt.Sprintf(given, "7"), ""))))
	got := b.expect(200, "GET", "/Task/t1", "")
	if got.header.Get("ETag") != `W/"7"` || got.body.Get("meta.lastUpdated").String() != "2025-01-02T03:04:05.000Z" {
		t.Errorf("%s", got.body.Raw)
	}
	// A version that is not newer becomes the next one; over HTTP the record gives version and time itself.
	if err := b.record.Load([]byte(transaction(entry("PUT", "Task/t1", "", fmt.Sprintf(given, "3"), "")))); err != nil {
		t.Fatal(err)
	}
	put := b.expect(200, "PUT", "/Task/t1", fmt.Sprintf(given, "40"), `If-Match: W/"8"`)
	if put.body.Get("meta.versionId").String() != "9" || put.body.Get("meta.lastUpdated").String() != "2026-03-01T08:00:00.000Z" {
		t.Errorf("%s", put.body.Raw)
	}
}

func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	versions := map[string]int64{} // the last version told, by id: it may only grow
	told := 0
	var telling atomic.Int32
	b.record.OnChange(func(_, _, id string, body []byte) {
		if telling.Add(1) != 1 {
			t.Error("two changes were told at once")
		}
		defer telling.Add(-1)
		time.Sleep(time.Millisecond)
		v := gjson.GetBytes(body, "meta.versionId").Int()
		if v != versions[id]+1 {
			t.Errorf("%s: version %d was told after %d", id, v, versions[id])
		}
		versions[id] = v
		told++
	})
	const workers = 24
	var wait sync.WaitGroup
	created, updated := make([]int, workers), make([]int, workers)
	for i := range workers {
		wait.Go(func() {
			created[i] = b.send("POST", "/Task", task("x", "one", "p"), "If-None-Exist: identifier=urn:x|one").status
			updated[i] = b.send("PUT", "/Task/shared", task("shared", "s", "p")).status
			b.send("GET", "/Task?patient=p", "")
		})
	}
	wait.Wait()
	count := map[int]int{}
	for i := range workers {
		count[created[i]]++
	}
	if count[201] != 1 || count[200] != workers-1 {
		t.Errorf("conditional creates: %v", count)
	}
	if v := b.expect(200, "GET", "/Task/shared", "").body.Get("meta.versionId").Int(); v != workers {
		t.Errorf("%d updates made version %d", workers, v)
	}
	if b.expect(200, "GET", "/metadata", ""); told != workers+1 {
		t.Errorf("%d changes were told", told)
	}
}

func TestHoldsTheDemoHospital(t *testing.T) {
	t.Parallel()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	var first [][]byte
	for _, p := range patients {
		first = append(first, p.Steps[0].Bundle)
	}
	b := setup(t, first...)
	heard := 0
	b.record.OnChange(func(string, string, string, []byte) { heard++ })
	for _, p := range patients {
		want := map[string]int{}
		for _, e := range gjson.GetBytes(p.Steps[0].Bundle, "entry.#.resource").Array() {
			typ, id := e.Get("resourceType").String(), e.Get("id").String()
			want[typ]++
			if got := b.expect(200, "GET", "/"+typ+"/"+id, "").body; got.Get("meta.versionId").String() != e.Get("meta.versionId").String() ||
				!got.Get("meta.lastUpdated").Time().Equal(e.Get("meta.lastUpdated").Time()) {
				t.Errorf("%s/%s: meta is %s", typ, id, got.Get("meta"))
			}
		}
		for typ, n := range want {
			if typ == "Patient" {
				continue
			}
			if got := len(ids(b.expect(200, "GET", "/"+typ+"?patient="+p.ID, "").body)); got != n {
				t.Errorf("%s of %s: %d found, %d sent", typ, p.ID, got, n)
			}
		}
		for _, s := range p.Steps[1:] {
			if err := b.record.Load(s.Bundle); err != nil {
				t.Fatal(err)
			}
			r := gjson.GetBytes(s.Bundle, "entry.0.resource")
			got := b.expect(200, "GET", "/Procedure/"+r.Get("id").String(), "").body
			if got.Get("status").String() != "entered-in-error" || got.Get("meta.versionId").String() != "2" {
				t.Errorf("%s: %s", s.File, got.Raw)
			}
		}
	}
	if heard != 1 {
		t.Errorf("%d changes were told, one is expected", heard)
	}
	if err := b.record.Load([]byte(`{"resourceType":"Bundle","type":"searchset"}`)); err == nil {
		t.Error("a searchset was loaded")
	}
}
