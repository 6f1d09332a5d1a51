package peertest

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

type answer struct {
	status int
	header http.Header
	body   string
}

func (a answer) value(t *testing.T, keys ...string) string {
	t.Helper()
	var value any
	if err := json.Unmarshal([]byte(a.body), &value); err != nil {
		t.Fatalf("%v in %s", err, a.body)
	}
	for _, key := range keys {
		inner, _ := value.(map[string]any)
		value = inner[key]
	}
	return fmt.Sprint(value)
}

// send fails the test if there is no answer; headers are "Name: value".
func send(t *testing.T, p *Peer, method, path, body string, headers ...string) answer {
	t.Helper()
	a, err := trySend(p, method, path, body, headers...)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func trySend(p *Peer, method, path, body string, headers ...string) (answer, error) {
	request, err := http.NewRequest(method, p.BaseURL+path, strings.NewReader(body))
	if err != nil {
		return answer{}, err
	}
	request.Header.Set("Content-Type", "application/fhir+json")
	for _, header := range headers {
		name, value, _ := strings.Cut(header, ": ")
		request.Header.Set(name, value)
	}
	response, err := p.client.Do(request)
	if err != nil {
		return answer{}, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	return answer{response.StatusCode, response.Header, string(text)}, err
}

func wantStatus(t *testing.T, what string, got answer, want int) {
	t.Helper()
	if got.status != want {
		t.Errorf("%s: status %d, want %d: %s", what, got.status, want, got.body)
	}
}

func wantFound(t *testing.T, p *Peer, query string, want int) {
	t.Helper()
	if got := len(p.Search(t, query)); got != want {
		t.Errorf("%s finds %d, want %d", query, got, want)
	}
}

func task(key, extra string) string {
	return `{"resourceType":"Task","identifier":[{"system":"urn:test:task","value":"` + key +
		`"}],"status":"draft","intent":"proposal"` + extra + `}`
}

// transaction posts a document and a Task that points to it, both only if they are not there, and a Provenance that
// is invalid unless recorded is given.
func transaction(key, recorded string) string {
	return `{"resourceType":"Bundle","type":"transaction","entry":[
	{"fullUrl":"urn:uuid:11111111-1111-4111-8111-111111111111","resource":{"resourceType":"DocumentReference",
	 "identifier":[{"system":"urn:test:doc","value":"` + key + `"}],"status":"current",
	 "content":[{"attachment":{"contentType":"text/plain","data":"YQ=="}}]},
	 "request":{"method":"POST","url":"DocumentReference","ifNoneExist":"identifier=urn:test:doc|` + key + `"}},
	{"fullUrl":"urn:uuid:22222222-2222-4222-8222-222222222222","resource":` +
		task(key, `,"output":[{"type":{"text":"letter"},"valueReference":{"reference":"urn:uuid:11111111-1111-4111-8111-111111111111"}}]`) + `,
	 "request":{"method":"POST","url":"Task","ifNoneExist":"identifier=urn:test:task|` + key + `"}},
	{"resource":{"resourceType":"Provenance","target":[{"reference":"urn:uuid:22222222-2222-4222-8222-222222222222"}],
	 "recorded":` + recorded + `,"agent":[{"who":{"display":"a test"}}]},"request":{"method":"POST","url":"Provenance"}}]}`
}

const recorded = `"2026-03-01T10:00:00Z"`

// http.html#create, #ccreate, #update (contention), #delete, #gone.
func TestSingleWrites(t *testing.T) {
	t.Parallel()
	p := Start(t)
	created := send(t, p, "POST", "/Task", task("a", ""), "If-None-Exist: identifier=urn:test:task|a")
	wantStatus(t, "conditional create, no match", created, http.StatusCreated)
	id, version := created.value(t, "id"), created.value(t, "meta", "versionId")
	if got, want := created.header.Get("ETag"), `W/"`+version+`"`; got != want {
		t.Errorf("ETag %s, want %s", got, want)
	}
	if got, want := created.header.Get("Location"), p.BaseURL+"/Task/"+id+"/_history/"+version; got != want {
		t.Errorf("Location %s, want %s", got, want)
	}
	if got := created.header.Get("Content-Type"); !strings.HasPrefix(got, "application/fhir+json") {
		t.Errorf("Content-Type %s", got)
	}
	again := send(t, p, "POST", "/Task", task("a", ""), "If-None-Exist: identifier=urn:test:task|a")
	wantStatus(t, "conditional create, one match", again, http.StatusOK)
	if got := again.value(t, "id"); got != id {
		t.Errorf("conditional create answers %s, want %s", got, id)
	}
	wantStatus(t, "create", send(t, p, "POST", "/Task", task("a", "")), http.StatusCreated)
	wantStatus(t, "conditional create, two matches",
		send(t, p, "POST", "/Task", task("a", ""), "If-None-Exist: identifier=urn:test:task|a"), http.StatusPreconditionFailed)

	changed := task("b", `,"id":"`+id+`"`)
	wantStatus(t, "update, stale", send(t, p, "PUT", "/Task/"+id, changed, `If-Match: W/"stale"`), http.StatusPreconditionFailed)
	wantStatus(t, "update, current", send(t, p, "PUT", "/Task/"+id, changed, `If-Match: W/"`+version+`"`), http.StatusOK)
	wantFound(t, p, "Task?identifier=urn:test:task|b", 1)
	wantStatus(t, "invalid", send(t, p, "POST", "/Task", `{"resourceType":"Task","intent":"order"}`), http.StatusBadRequest)
	wantStatus(t, "no JSON", send(t, p, "POST", "/Task", `{`), http.StatusBadRequest)
	wantStatus(t, "no FHIR", send(t, p, "POST", "/Task", task("c", ""), "Content-Type: text/plain"), http.StatusUnsupportedMediaType)
	minimal := send(t, p, "POST", "/Task", task("c", ""), "Prefer: return=minimal")
	wantStatus(t, "return=minimal", minimal, http.StatusCreated)
	if minimal.body != "" || minimal.header.Get("Location") == "" {
		t.Errorf("return=minimal: body %q, Location %q", minimal.body, minimal.header.Get("Location"))
	}

	wantStatus(t, "delete", send(t, p, "DELETE", "/Task/"+id, ""), http.StatusOK)
	wantStatus(t, "read deleted", send(t, p, "GET", "/Task/"+id, ""), http.StatusGone)
	wantStatus(t, "delete again", send(t, p, "DELETE", "/Task/"+id, ""), http.StatusOK)
	wantStatus(t, "read unknown", send(t, p, "GET", "/Task/nobody", ""), http.StatusNotFound)
	wantFound(t, p, "Task?identifier=urn:test:task|b", 0)
	wantStatus(t, "outside the base", send(t, p, "GET", "/../Task", ""), http.StatusNotFound)
}

// http.html#transaction: references by urn:uuid become real, a match of ifNoneExist is used, a failure undoes all.
func TestTransactions(t *testing.T) {
	t.Parallel()
	p := Start(t)
	wantStatus(t, "transaction", send(t, p, "POST", "", transaction("a", recorded)), http.StatusOK)
	wantStatus(t, "the same", send(t, p, "POST", "", transaction("a", recorded)), http.StatusOK)
	documents := p.Search(t, "DocumentReference?identifier=urn:test:doc|a")
	tasks := p.Search(t, "Task?identifier=urn:test:task|a")
	if len(documents) != 1 || len(tasks) != 1 {
		t.Fatalf("%d documents and %d tasks, want one of each", len(documents), len(tasks))
	}
	documentID := answer{body: string(documents[0])}.value(t, "id")
	if want := `"reference":"DocumentReference/` + documentID + `"`; !strings.Contains(string(tasks[0]), want) {
		t.Errorf("the task lacks %s: %s", want, tasks[0])
	}
	taskID := answer{body: string(tasks[0])}.value(t, "id")
	wantFound(t, p, "Provenance?target=Task/"+taskID, 2)

	failed := send(t, p, "POST", "", transaction("b", `""`))
	wantStatus(t, "a transaction whose last entry is invalid", failed, http.StatusBadRequest)
	wantFound(t, p, "DocumentReference", 1)
	wantFound(t, p, "Task", 1)

	// The update and the delete happen first, then the stale If-Match fails.
	undone := `{"resourceType":"Bundle","type":"transaction","entry":[
	{"request":{"method":"DELETE","url":"DocumentReference/` + documentID + `"}},
	{"resource":` + task("z", `,"id":"`+taskID+`"`) + `,"request":{"method":"PUT","url":"Task/` + taskID + `"}},
	{"resource":` + task("y", `,"id":"new"`) + `,"request":{"method":"PUT","url":"Task/new","ifMatch":"W/\"stale\""}}]}`
	wantStatus(t, "a transaction with an If-Match on nothing", send(t, p, "POST", "", undone), http.StatusNotFound)
	after := p.Search(t, "Task")
	if diff := cmp.Diff(tasks, after); diff != "" {
		t.Errorf("the task after the rollback (-before +after):\n%s", diff)
	}
	wantStatus(t, "the document after the rollback", send(t, p, "GET", "/DocumentReference/"+documentID, ""), http.StatusOK)
}

// search.html: identifiers with and without system, by GET and by POST, and pages.
func TestSearch(t *testing.T) {
	t.Parallel()
	p := Start(t)
	const n = 45
	for i := range n {
		wantStatus(t, "create", send(t, p, "POST", "/Task", task(fmt.Sprintf("k%d", i), "")), http.StatusCreated)
	}
	wantFound(t, p, "Task", n)
	wantFound(t, p, "Task?_count=7&status=draft", n)
	wantFound(t, p, "Task?identifier=urn:test:task|k3", 1)
	wantFound(t, p, "Task?identifier=urn:test:other|k3", 0)
	wantFound(t, p, "Task?identifier=k3,k4", 2)
	var page struct {
		Total int
		Link  []struct{ Relation, URL string }
		Entry []struct{ FullURL string }
	}
	form := send(t, p, "POST", "/Task/_search?status=draft", "identifier=urn%3Atest%3Atask%7C&_count=20&_offset=20",
		"Content-Type: application/x-www-form-urlencoded")
	wantStatus(t, "POST _search", form, http.StatusOK)
	if err := json.Unmarshal([]byte(form.body), &page); err != nil {
		t.Fatal(err)
	}
	if page.Total != n || len(page.Entry) != 20 || len(page.Link) != 2 {
		t.Fatalf("total %d, %d entries, %d links; want %d, 20, 2", page.Total, len(page.Entry), len(page.Link), n)
	}
	next := page.Link[1]
	if !strings.HasPrefix(next.URL, p.BaseURL+"/Task?") || !strings.Contains(next.URL, "_offset=40") || next.Relation != "next" {
		t.Errorf("next link %v", next)
	}
	if !strings.HasPrefix(page.Entry[0].FullURL, p.BaseURL+"/Task/") {
		t.Errorf("fullUrl %s", page.Entry[0].FullURL)
	}
	capability := send(t, p, "GET", "/metadata", "")
	if got := capability.value(t, "fhirVersion"); got != "4.0.1" {
		t.Errorf("metadata says fhirVersion %s", got)
	}
	want := map[string]map[string]int{
		"POST": {"Task": n, "Task/_search": 1},
		"GET":  {"Task": 3 + 7 + 3, "metadata": 1}, // 45 in pages of 20, in pages of 7, and one page thrice
	}
	if diff := cmp.Diff(want, p.Log(t).Requests); diff != "" {
		t.Errorf("log (-want +got):\n%s", diff)
	}
	p.Reset(t)
	wantFound(t, p, "Task", 0)
}

// Conditional creates at the same time store one: the peer must not invent duplicates that the record would not have.
func TestConditionalCreatesAtOnce(t *testing.T) {
	t.Parallel()
	p := Start(t)
	errs := make(chan error)
	for range 12 {
		go func() {
			_, err := trySend(p, "POST", "/Task", task("a", ""), "If-None-Exist: identifier=urn:test:task|a")
			errs <- err
		}()
	}
	for range 12 {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	wantFound(t, p, "Task", 1)
}

func TestHabits(t *testing.T) {
	t.Parallel()
	p := Start(t, WithHabits(map[string]any{"noTransactions": true}))
	refused := send(t, p, "POST", "", transaction("a", recorded))
	wantStatus(t, "noTransactions", refused, http.StatusBadRequest)
	if !strings.Contains(refused.body, `"code":"not-supported"`) {
		t.Errorf("noTransactions answers %s", refused.body)
	}
	wantStatus(t, "noTransactions, a single write", send(t, p, "POST", "/Task", task("a", "")), http.StatusCreated)

	p.Reset(t)
	p.Habits(t, map[string]any{"conflictEvery": 3})
	for i, want := range []int{200, 200, 409, 200, 200, 409} {
		got := send(t, p, "POST", "", transaction(fmt.Sprintf("k%d", i), recorded))
		wantStatus(t, fmt.Sprintf("conflictEvery, transaction %d", i+1), got, want)
	}
	wantFound(t, p, "Task", 4)

	p.Reset(t)
	p.Habits(t, map[string]any{"dropReplies": 2})
	for i := range 4 {
		_, err := trySend(p, "POST", "/Task", task("a", ""))
		if (err != nil) != (i%2 == 1) {
			t.Errorf("dropReplies, write %d: error %v", i+1, err)
		}
	}
	wantFound(t, p, "Task", 4)
	if diff := cmp.Diff(map[string]int{"dropReplies": 2}, p.Log(t).Fired); diff != "" {
		t.Errorf("fired (-want +got):\n%s", diff)
	}

	p.Habits(t, nil)
	wantStatus(t, "no habits", send(t, p, "POST", "", transaction("b", recorded)), http.StatusOK)
	if _, err := p.exchange(t, "POST", strings.TrimSuffix(p.BaseURL, "/fhir")+"/_control/habits", []byte(`{"nonsense":1}`)); err == nil {
		t.Error("an unknown habit is accepted")
	}
}

func TestToken(t *testing.T) {
	t.Parallel()
	p := Start(t, WithToken("open"))
	wantStatus(t, "no token", send(t, p, "GET", "/Task", ""), http.StatusUnauthorized)
	wantStatus(t, "another token", send(t, p, "GET", "/Task", "", "Authorization: Bearer shut"), http.StatusUnauthorized)
	wantStatus(t, "the token", send(t, p, "GET", "/Task", "", "Authorization: Bearer open"), http.StatusOK)
	wantStatus(t, "metadata", send(t, p, "GET", "/metadata", ""), http.StatusOK)
	wantFound(t, p, "Task", 0)
}

// The peer is gone when the test that started it is over.
func TestPeerEndsWithItsTest(t *testing.T) {
	t.Parallel()
	var p *Peer
	t.Run("inner", func(t *testing.T) { p = Start(t) })
	if _, err := trySend(p, "GET", "/metadata", ""); err == nil {
		t.Error("the peer still answers")
	}
}

// A missing peer fails the test; it is a skip only where the variable says so.
func TestMissingPeer(t *testing.T) {
	for _, tt := range []struct {
		variable string
		want     string
	}{{"", "fatal"}, {"0", "fatal"}, {"1", "skip"}} {
		t.Setenv(skipVariable, tt.variable)
		var r recorder
		done := make(chan struct{})
		go func() {
			defer close(done)
			needNodeModules(&r, t.TempDir())
		}()
		<-done
		if r.outcome != tt.want || !strings.Contains(r.text, skipVariable) {
			t.Errorf("%s=%q: %s, want %s; text %q", skipVariable, tt.variable, r.outcome, tt.want, r.text)
		}
	}
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "node_modules"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "node_modules", ".package-lock.json"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	var r recorder
	needNodeModules(&r, dir)
	if r.outcome != "" {
		t.Errorf("installed packages: %s", r.outcome)
	}
}

// recorder is a testing.TB that notes how a test would have ended, and ends the goroutine as testing does.
type recorder struct {
	testing.TB
	outcome, text string
}

func (r *recorder) Helper() {}

func (r *recorder) Fatalf(format string, args ...any) {
	r.outcome, r.text = "fatal", fmt.Sprintf(format, args...)
	runtime.Goexit()
}

func (r *recorder) Skipf(format string, args ...any) {
	r.outcome, r.text = "skip", fmt.Sprintf(format, args...)
	runtime.Goexit()
}
