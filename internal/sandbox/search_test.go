package sandbox_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
)

func ids(bundle gjson.Result) []string {
	out := []string{}
	for _, id := range bundle.Get("entry.#.resource.id").Array() {
		out = append(out, id.String())
	}
	return out
}

func TestSearch(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for path, body := range map[string]string{
		"/Device/d":            `{"resourceType":"Device","id":"d","patient":{"reference":"Patient/p"}}`,
		"/Procedure/q":         `{"resourceType":"Procedure","id":"q","subject":{"reference":"Patient/p"}}`,
		"/Appointment/ap":      `{"resourceType":"Appointment","id":"ap","participant":[{"actor":{"reference":"Location/l"}},{"actor":{"reference":"Patient/p"}}]}`,
		"/Provenance/pr":       `{"resourceType":"Provenance","id":"pr","target":[{"reference":"Task/t1/_history/1"},{"reference":"Patient/p"}]}`,
		"/Condition/c":         `{"resourceType":"Condition","id":"c","subject":{"reference":"` + b.base + `/Patient/p"}}`,
		"/DocumentReference/m": `{"resourceType":"DocumentReference","id":"m","masterIdentifier":{"system":"urn:m","value":"1"},"subject":{"reference":"Patient/p"}}`,
		"/Observation/none":    `{"resourceType":"Observation","id":"none"}`,
	} {
		b.expect(201, "PUT", path, body)
	}
	b.expect(201, "PUT", "/Task/t1", task("t1", "a", "p"))
	b.expect(201, "PUT", "/Task/t2", task("t2", "a,b|c", "p"))
	b.expect(201, "PUT", "/Task/t3", task("t3", "a", "pp"))
	b.expect(201, "PUT", "/Task/gone", task("gone", "a", "p"))
	b.expect(204, "DELETE", "/Task/gone", "")
	for _, c := range []struct {
		typ, params string
		want        []string
	}{
		{"Task", "", []string{"t1", "t2", "t3"}},
		{"Task", "patient=p", []string{"t1", "t2"}},
		{"Task", "patient=Patient/p", []string{"t1", "t2"}},
		{"Task", "subject=Patient/pp", []string{"t3"}},
		{"Task", "patient=" + url.QueryEscape(b.base+"/Patient/p"), []string{"t1", "t2"}},
		{"Task", "patient=p,pp", []string{"t1", "t2", "t3"}},
		{"Task", "patient=p&identifier=urn:x|a", []string{"t1"}},
		{"Task", "identifier=urn:x|", []string{"t1", "t2", "t3"}},
		{"Task", "identifier=a", []string{"t1", "t3"}},
		{"Task", "identifier=|a", []string{}},
		{"Task", "identifier=urn:y|a", []string{}},
		{"Task", "identifier=" + url.QueryEscape(`urn:x|a\,b\|c`), []string{"t2"}},
		{"Task", "_id=t1,t3", []string{"t1", "t3"}},
		{"Task", "_id=gone", []string{}},
		{"Task", "status=draft&_id=t3", []string{"t3"}},
		{"Task", "status=completed", []string{}},
		{"Device", "patient=p", []string{"d"}},
		{"Procedure", "subject=Patient/p", []string{"q"}},
		{"Appointment", "patient=p", []string{"ap"}},
		{"Provenance", "target=Task/t1", []string{"pr"}},
		{"Condition", "patient=p", []string{"c"}},
		{"DocumentReference", "identifier=urn:m|1", []string{"m"}},
		{"Observation", "patient=p", []string{}},
	} {
		byGet := b.expect(200, "GET", "/"+c.typ+"?"+c.params, "").body
		if d := cmp.Diff(c.want, ids(byGet)); d != "" {
			t.Errorf("%s?%s (-want +got):\n%s", c.typ, c.params, d)
		}
		byPost := b.expect(200, "POST", "/"+c.typ+"/_search", c.params, "Content-Type: application/x-www-form-urlencoded").body
		if byPost.Raw != byGet.Raw {
			t.Errorf("POST %s/_search %s answers differently", c.typ, c.params)
		}
		if byGet.Get("total").Int() != int64(len(c.want)) || byGet.Get("type").String() != "searchset" {
			t.Errorf("%s?%s: %s", c.typ, c.params, byGet.Raw)
		}
		if len(c.want) > 0 && byGet.Get("entry.0.fullUrl").String() != b.base+"/"+c.typ+"/"+c.want[0] {
			t.Errorf("fullUrl %s", byGet.Get("entry.0.fullUrl"))
		}
	}
	self := b.expect(200, "GET", "/Task?performer=x&patient=p", "").body.Get(`link.#(relation="self").url`).String()
	if strings.Contains(self, "performer") || !strings.Contains(self, "patient=p") {
		t.Errorf("the self link is %s", self)
	}
}

func TestPagesNeitherMissNorRepeat(t *testing.T) {
	t.Parallel()
	b := setup(t)
	want := []string{}
	for i := range 125 {
		id := fmt.Sprintf("t%d", i)
		b.expect(201, "PUT", "/Task/"+id, task(id, "a", "p"))
		want = append(want, id)
	}
	got, link, pages := []string{}, "/Task?patient=p&_count=50", 0
	for link != "" {
		page := b.expect(200, "GET", link, "").body
		got = append(got, ids(page)...)
		pages++
		link = page.Get(`link.#(relation="next").url`).String()
		if strings.Contains(link, "patient") {
			t.Errorf("a link carries a search value: %s", link)
		}
		// What changes between two pages must not shift the rest.
		b.expect(204, "DELETE", "/Task/"+got[len(got)-1], "")
	}
	if d := cmp.Diff(want, got); d != "" || pages != 3 {
		t.Errorf("%d pages (-want +got):\n%s", pages, d)
	}
	if n := len(ids(b.expect(200, "GET", "/Task", "").body)); n != 50 {
		t.Errorf("a search without _count gives %d on a page", n)
	}
}
