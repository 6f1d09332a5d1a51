package rest

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"

	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
)

// trace keeps the requests that a test server saw.
type trace struct {
	mu   sync.Mutex
	seen []string
}

func (l *trace) add(r *http.Request) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.seen = append(l.seen, r.Method+" "+r.URL.RequestURI())
}

func page(next string, entries ...string) string {
	link := ""
	if next != "" {
		link = fmt.Sprintf(`"link":[{"relation":"self","url":"x"},{"relation":"next","url":%q}],`, next)
	}
	return `{"resourceType":"Bundle","type":"searchset",` + link + `"entry":[` + strings.Join(entries, ",") + `]}`
}

func hit(typ, id, mode string) string {
	return fmt.Sprintf(`{"resource":{"resourceType":%q,"id":%q},"search":{"mode":%q}}`, typ, id, mode)
}

func ids(t *testing.T, c *Client, limit int) ([]string, error) {
	t.Helper()
	hits, err := c.Search(t.Context(), "Task", url.Values{"identifier": {"s|" + secretID}}, limit)
	var out []string
	for _, h := range hits {
		out = append(out, gjson.GetBytes(h, "id").String())
	}
	return out, err
}

func TestSearchFollowsPagesByPost(t *testing.T) {
	t.Parallel()
	var log trace
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		log.add(r)
		base := "http://" + r.Host + "/fhir"
		switch {
		case r.Method == http.MethodPost:
			if err := r.ParseForm(); err != nil || r.PostForm.Get("identifier") != "s|"+secretID {
				reply(w, 400, "")
				return
			}
			reply(w, 200, page(base+"/Task?_page=2&q=a%7Cb", hit("Task", "1", "match"), hit("Patient", "p", "include"), hit("OperationOutcome", "o", "outcome")))
		case r.URL.Query().Get("_page") == "2":
			reply(w, 200, page("?_page=3", hit("Task", "2", "")))
		case r.URL.Query().Get("_page") == "3":
			reply(w, 200, page("", hit("Task", "3", "match"), hit("Patient", "q", "match")))
		}
	})
	got, err := ids(t, c, 0)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"1", "2", "3"}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	want := []string{"POST /fhir/Task/_search", "GET /fhir/Task?_page=2&q=a%7Cb", "GET /fhir/Task?_page=3"}
	if diff := cmp.Diff(want, log.seen); diff != "" {
		t.Errorf("requests (-want +got)\n%s", diff)
	}
	if got, err := ids(t, c, 1); err != nil || len(got) != 1 {
		t.Errorf("limit 1: %v, %v", got, err)
	}
}

func TestSearchFallsBackToGet(t *testing.T) {
	t.Parallel()
	unsupported := `{"resourceType":"OperationOutcome","issue":[{"code":"not-supported"}]}`
	says := `{"resourceType":"OperationOutcome","issue":[{"code":"invalid","details":{"text":"POST search is not supported"}}]}`
	for name, tc := range map[string]struct {
		status int
		body   string
		falls  bool
	}{
		"404": {404, "", true}, "405": {405, "", true}, "415": {415, "", true}, "400 by code": {400, unsupported, true},
		"400 by text": {400, says, true}, "400 otherwise": {400, `{}`, false}, "403": {403, "", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var log trace
			c := serve(t, func(w http.ResponseWriter, r *http.Request) {
				log.add(r)
				if r.Method == http.MethodPost {
					reply(w, tc.status, tc.body)
					return
				}
				reply(w, 200, page("", hit("Task", "1", "match")))
			})
			got, err := ids(t, c, 5)
			if !tc.falls {
				if !errors.Is(err, fault.Refused) || len(log.seen) != 1 {
					t.Errorf("got %v, %v, %v", got, err, log.seen)
				}
				return
			}
			if err != nil || len(got) != 1 {
				t.Fatalf("got %v, %v", got, err)
			}
			if _, err := ids(t, c, 5); err != nil || len(log.seen) != 3 || !strings.HasPrefix(log.seen[2], "GET ") {
				t.Errorf("the second search must go by GET at once: %v, %v", err, log.seen)
			}
		})
	}
}

func TestSearchThatDoesNotEndIsIncomplete(t *testing.T) {
	t.Parallel()
	n := 0
	c := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		n++
		reply(w, 200, page(fmt.Sprintf("?_page=%d", n), hit("Task", fmt.Sprint(n), "match")))
	}, func(cfg *Config) { cfg.MaxPages = 4 })
	if _, err := ids(t, c, 0); !errors.Is(err, ErrIncomplete) || n != 4 {
		t.Errorf("got %v after %d pages", err, n)
	}
}

func TestSearchErrorsHoldNoIDs(t *testing.T) {
	t.Parallel()
	for name, body := range map[string]string{"no JSON": "<html>" + secretID, "no Bundle": `{"resourceType":"Task","id":"` + secretID + `"}`} {
		c := serve(t, func(w http.ResponseWriter, _ *http.Request) { reply(w, 200, body) })
		if _, err := ids(t, c, 0); err == nil || strings.Contains(err.Error(), secretID) || strings.Contains(err.Error(), "127.0.0.1") {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		conn, _, _ := w.(http.Hijacker).Hijack()
		_ = conn.Close()
	})
	if _, err := ids(t, c, 0); !errors.Is(err, fault.Unavailable) || strings.Contains(err.Error(), "127.0.0.1") {
		t.Errorf("reset: %v", err)
	}
}

func TestCapabilitiesAreTolerant(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]Support{
		`{"resourceType":"CapabilityStatement","rest":[{"mode":"server","interaction":[{"code":"batch"},{"code":"transaction"}]}]}`: SupportYes,
		`{"resourceType":"CapabilityStatement","rest":[{"interaction":[{"code":"transaction"}]}]}`:                                  SupportYes,
		`{"resourceType":"CapabilityStatement","rest":[{"mode":"server","interaction":[{"code":"batch"}]}]}`:                        SupportNo,
		`{"resourceType":"CapabilityStatement","rest":[{"mode":"server"}]}`:                                                         SupportUnknown,
		`{"resourceType":"CapabilityStatement","rest":[{"mode":"client","interaction":[{"code":"transaction"}]}]}`:                  SupportUnknown,
		`{"rest":7}`: SupportUnknown, `<html>`: SupportUnknown,
	} {
		c := serve(t, func(w http.ResponseWriter, _ *http.Request) { reply(w, 200, body) })
		if got, err := c.Capabilities(t.Context()); err != nil || got.Transactions != want {
			t.Errorf("%s: got %v, %v, want %v", body, got, err, want)
		}
	}
	c := serve(t, func(w http.ResponseWriter, _ *http.Request) { reply(w, 403, "") })
	if got, err := c.Capabilities(t.Context()); err != nil || got.Transactions != SupportUnknown {
		t.Errorf("403: got %v, %v", got, err)
	}
}

func TestTransactChecksEveryEntry(t *testing.T) {
	t.Parallel()
	sent := []byte(`{"resourceType":"Bundle","type":"transaction","entry":[
		{"request":{"method":"POST","url":"DocumentReference"}},{"request":{"method":"POST","url":"Task"}}]}`)
	ok := `{"response":{"status":"201 Created","location":"http://h/fhir/DocumentReference/d/_history/1","etag":"W/\"1\""}}`
	task := `{"response":{"status":"200","location":"Task/t"},"resource":{"resourceType":"Task","id":"t","meta":{"versionId":"v"}}}`
	for name, tc := range map[string]struct {
		body string
		want error
	}{
		"good":         {`{"resourceType":"Bundle","type":"transaction-response","entry":[` + ok + `,` + task + `]}`, nil},
		"batch":        {`{"resourceType":"Bundle","type":"batch-response","entry":[` + ok + `,` + task + `]}`, ErrNotAtomic},
		"one failed":   {`{"resourceType":"Bundle","type":"transaction-response","entry":[` + ok + `,{"response":{"status":"400"}}]}`, ErrNotAtomic},
		"no status":    {`{"resourceType":"Bundle","type":"transaction-response","entry":[` + ok + `,{}]}`, ErrNotAtomic},
		"one missing":  {`{"resourceType":"Bundle","type":"transaction-response","entry":[` + ok + `]}`, ErrUnknownOutcome},
		"not a Bundle": {`{"resourceType":"OperationOutcome"}`, ErrUnknownOutcome},
		"no JSON":      {`{`, ErrUnknownOutcome},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := serve(t, func(w http.ResponseWriter, r *http.Request) {
				if r.URL.Path != "/fhir" {
					reply(w, 500, "")
					return
				}
				reply(w, 200, tc.body)
			})
			got, err := c.Transact(t.Context(), sent)
			if !errors.Is(err, tc.want) {
				t.Fatalf("got %v, want %v", err, tc.want)
			}
			if name != "good" {
				return
			}
			if d := got[0]; d.ID != "d" || d.VersionID != "1" || d.ETag != `W/"1"` || d.Existing || !d.OK() {
				t.Errorf("document: %+v", d)
			}
			if k := got[1]; k.ID != "t" || k.VersionID != "v" || k.ETag != `W/"v"` || !k.Existing || k.Resource == nil {
				t.Errorf("task: %+v", k)
			}
		})
	}
}

// TestALoopOfPagesIsNoEnd: a next link to a page that was read says nothing of what lies behind.
func TestALoopOfPagesIsNoEnd(t *testing.T) {
	t.Parallel()
	for name, last := range map[string]string{"to itself": "?_page=3", "to an earlier page": "?_page=2"} {
		c := serve(t, func(w http.ResponseWriter, r *http.Request) {
			switch {
			case r.Method == http.MethodPost:
				reply(w, 200, page("http://"+r.Host+"/fhir/Task?_page=2", hit("Task", "1", "match")))
			case r.URL.Query().Get("_page") == "2":
				reply(w, 200, page("?_page=3", hit("Task", "2", "match")))
			default:
				reply(w, 200, page(last, hit("Task", "3", "match")))
			}
		})
		got, err := ids(t, c, 0)
		if !errors.Is(err, ErrIncomplete) || strings.Join(got, " ") != "1 2 3" {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

// TestOneTypeByGetLeavesTheOthersByPost: ids stay out of access logs wherever the record lets them.
func TestOneTypeByGetLeavesTheOthersByPost(t *testing.T) {
	t.Parallel()
	var log trace
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		log.add(r)
		if r.URL.Path == "/fhir/MedicationDispense/_search" {
			reply(w, 404, "")
			return
		}
		reply(w, 200, page(""))
	})
	for _, typ := range []string{"MedicationDispense", "Task", "MedicationDispense", "Device"} {
		if _, err := c.Search(t.Context(), typ, url.Values{"patient": {"x"}}, 0); err != nil {
			t.Fatal(err)
		}
	}
	want := []string{"POST /fhir/MedicationDispense/_search", "GET /fhir/MedicationDispense?patient=x", "POST /fhir/Task/_search",
		"GET /fhir/MedicationDispense?patient=x", "POST /fhir/Device/_search"}
	if diff := cmp.Diff(want, log.seen); diff != "" {
		t.Errorf("requests (-want +got)\n%s", diff)
	}
}
