package peertest

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// wantHeld checks how many the server really holds.
func wantHeld(t *testing.T, p *Peer, typ string, want int) {
	t.Helper()
	if got := len(p.Held(t, typ)); got != want {
		t.Errorf("%d of type %s are held, want %d", got, typ, want)
	}
}

// wantFired checks how often each habit struck.
func wantFired(t *testing.T, p *Peer, want map[string]int) {
	t.Helper()
	if diff := cmp.Diff(want, p.Log(t).Fired); diff != "" {
		t.Errorf("fired (-want +got):\n%s", diff)
	}
}

// Each switch does what habits.mjs says of it.
func TestEachHabit(t *testing.T) {
	t.Parallel()
	p := Start(t)
	onlyOnce := "If-None-Exist: identifier=urn:test:task|a"
	statuses := func(t *testing.T, want []int, do func(i int) answer) {
		t.Helper()
		for i, status := range want {
			wantStatus(t, fmt.Sprintf("request %d", i+1), do(i), status)
		}
	}
	create := func(int) answer { return send(t, p, "POST", "/Task", task("a", "")) }
	for _, tt := range []struct {
		name   string
		habits map[string]any
		test   func(t *testing.T)
	}{
		{"conflicts of single writes", map[string]any{"conflictEvery": 2}, func(t *testing.T) {
			statuses(t, []int{201, 409, 201, 409}, create)
			wantHeld(t, p, "Task", 2)
			id := only(t, p, "Task", 0)
			statuses(t, []int{200, 409}, func(int) answer { return send(t, p, "PUT", "/Task/"+id, task("b", `,"id":"`+id+`"`)) })
			wantStatus(t, "search", send(t, p, "GET", "/Task", ""), http.StatusOK)
			wantFired(t, p, map[string]int{"conflictEvery": 3})
		}},
		{"ifNoneExist ignored", map[string]any{"ignoreIfNoneExist": true}, func(t *testing.T) {
			statuses(t, []int{201, 201}, func(int) answer { return send(t, p, "POST", "/Task", task("a", ""), onlyOnce) })
			statuses(t, []int{200, 200}, func(int) answer { return send(t, p, "POST", "", transaction("a", recorded)) })
			wantHeld(t, p, "Task", 4)
			wantHeld(t, p, "DocumentReference", 2)
			wantFired(t, p, map[string]int{"ignoreIfNoneExist": 4})
		}},
		{"If-Match ignored", map[string]any{"ignoreIfMatch": true}, func(t *testing.T) {
			create(0)
			id := only(t, p, "Task", 0)
			wantStatus(t, "stale", send(t, p, "PUT", "/Task/"+id, task("b", `,"id":"`+id+`"`), `If-Match: W/"stale"`), http.StatusOK)
			wantFound(t, p, "Task?identifier=urn:test:task|b", 1)
			wantFired(t, p, map[string]int{"ignoreIfMatch": 1})
		}},
		{"too many conditional entries", map[string]any{"maxConditional": 1}, func(t *testing.T) {
			refused := send(t, p, "POST", "", transaction("a", recorded)) // holds two
			wantStatus(t, "two", refused, http.StatusBadRequest)
			if !strings.Contains(refused.body, "requires strict isolation") {
				t.Errorf("answer %s", refused.body)
			}
			wantHeld(t, p, "Task", 0)
			p.Habits(t, map[string]any{"maxConditional": 2})
			wantStatus(t, "as many as allowed", send(t, p, "POST", "", transaction("a", recorded)), http.StatusOK)
			wantFired(t, p, map[string]int{})
		}},
		{"a transaction as a batch, references resolved", map[string]any{"transactionsAsBatch": "resolved"}, func(t *testing.T) {
			got := send(t, p, "POST", "", transaction("a", `"no instant"`)) // the last entry is invalid
			if got.value(t, "type") != "transaction-response" || !strings.Contains(got.body, `"status":"400"`) {
				t.Errorf("answer %s", got.body)
			}
			wantHeld(t, p, "Provenance", 0)
			document := only(t, p, "DocumentReference", 0)
			if task := string(p.Held(t, "Task")[0]); !strings.Contains(task, "DocumentReference/"+document) {
				t.Errorf("not resolved: %s", task)
			}
		}},
		{"a transaction as a batch, references as sent", map[string]any{"transactionsAsBatch": "unresolved"}, func(t *testing.T) {
			got := send(t, p, "POST", "", transaction("a", recorded))
			if got.value(t, "type") != "batch-response" {
				t.Errorf("answer %s", got.body)
			}
			if task := string(p.Held(t, "Task")[0]); !strings.Contains(task, "urn:uuid:11111111-1111-4111-8111-111111111111") {
				t.Errorf("resolved: %s", task)
			}
		}},
		{"entries fail singly", map[string]any{"transactionsAsBatch": "resolved", "entryFailsEvery": 2}, func(t *testing.T) {
			got := send(t, p, "POST", "", transaction("a", recorded)) // the second entry is the Task
			var answer struct {
				Entry []struct{ Response struct{ Status string } }
			}
			if err := json.Unmarshal([]byte(got.body), &answer); err != nil || len(answer.Entry) != 3 ||
				answer.Entry[0].Response.Status != "201" || answer.Entry[1].Response.Status != "500" || answer.Entry[2].Response.Status != "201" {
				t.Errorf("answer %s", got.body)
			}
			wantHeld(t, p, "Task", 0)
			wantHeld(t, p, "DocumentReference", 1)
			wantHeld(t, p, "Provenance", 1)
			p.Habits(t, map[string]any{"transactionsAsBatch": "unresolved", "entryFailsEvery": 1})
			wantStatus(t, "all fail", send(t, p, "POST", "", transaction("b", recorded)), http.StatusOK)
			wantHeld(t, p, "DocumentReference", 1)
		}},
		{"cut answers to writes", map[string]any{"cutReplies": map[string]any{"every": 2, "bytes": 10}}, func(t *testing.T) {
			wantStatus(t, "first", create(0), http.StatusCreated)
			cut, err := trySend(p, "POST", "/Task", task("a", ""))
			if err == nil || cut.status != http.StatusCreated || len(cut.body) != 10 {
				t.Errorf("error %v, answer %+v", err, cut)
			}
			wantHeld(t, p, "Task", 2)
			wantStatus(t, "a read", send(t, p, "GET", "/Task", ""), http.StatusOK)
			p.Habits(t, map[string]any{"cutReplies": map[string]any{"every": 1, "bytes": 1 << 20}})
			if whole, err := trySend(p, "POST", "/Task", task("a", ""), "Prefer: return=minimal"); err == nil {
				t.Errorf("an answer without a body must break off too: %+v", whole)
			}
			wantFired(t, p, map[string]int{"cutReplies": 1})
		}},
		{"cut answers to reads", map[string]any{"cutReads": map[string]any{"every": 1, "bytes": 0}}, func(t *testing.T) {
			create(0)
			if cut, err := trySend(p, "GET", "/Task", ""); err == nil || cut.status != http.StatusOK || cut.body != "" {
				t.Errorf("error %v, answer %+v", err, cut)
			}
		}},
		{"429 with an absurd Retry-After", map[string]any{"tooManyEvery": 2}, func(t *testing.T) {
			create(0)
			refused := create(1)
			wantStatus(t, "second", refused, http.StatusTooManyRequests)
			if got := refused.header.Get("Retry-After"); got != "1795592359725" || strings.HasPrefix(refused.body, "{") {
				t.Errorf("Retry-After %q, body %q", got, refused.body)
			}
			wantHeld(t, p, "Task", 1)
		}},
		{"401 in the middle", map[string]any{"unauthorizedEvery": 3}, func(t *testing.T) {
			statuses(t, []int{201, 201, 401, 201}, create)
			wantHeld(t, p, "Task", 3)
		}},
		{"tokens that wear out", map[string]any{"tokenLives": 2}, func(t *testing.T) {
			statuses(t, []int{200, 200, 401, 401}, func(int) answer { return send(t, p, "GET", "/Task", "", "Authorization: Bearer one") })
			wantStatus(t, "a new token", send(t, p, "GET", "/Task", "", "Authorization: Bearer two"), http.StatusOK)
			wantStatus(t, "no token", send(t, p, "GET", "/Task", ""), http.StatusOK)
			wantFired(t, p, map[string]int{"tokenLives": 2})
		}},
		{"next links to another host", map[string]any{"foreignNext": map[string]any{"size": 2, "base": "http://elsewhere.example/r4"}}, func(t *testing.T) {
			statuses(t, []int{201, 201, 201}, create)
			page := send(t, p, "GET", "/Task?_count=100", "")
			if strings.Count(page.body, `"resourceType":"Task"`) != 2 || !strings.Contains(page.body, `"url":"http://elsewhere.example/r4/Task?_count=2`) {
				t.Errorf("page %s", page.body)
			}
			if last := send(t, p, "GET", "/Task?_count=100&_offset=2", ""); strings.Contains(last.body, "elsewhere") {
				t.Errorf("last page %s", last.body)
			}
		}},
		{"parameters ignored", map[string]any{"ignoreParameters": true}, func(t *testing.T) {
			statuses(t, []int{201, 201, 201}, create)
			for _, found := range []answer{send(t, p, "GET", "/Task?identifier=urn:test:task|z&_count=2", ""),
				send(t, p, "POST", "/Task/_search", "identifier=urn:test:task%7Cz&_count=2", "Content-Type: application/x-www-form-urlencoded")} {
				if found.value(t, "total") != "3" || strings.Count(found.body, `"resourceType":"Task"`) != 2 || !strings.Contains(found.body, `"next"`) {
					t.Errorf("found %s", found.body)
				}
			}
			wantFound(t, p, "Task?identifier=urn:test:task|z&_count=1", 3) // three pages
			wantFired(t, p, map[string]int{"ignoreParameters": 5})
			wantStatus(t, "a read", send(t, p, "GET", "/Task/nobody", ""), http.StatusNotFound)
		}},
		{"the first searches find nothing", map[string]any{"emptyFirst": 2}, func(t *testing.T) {
			create(0)
			for _, want := range []int{0, 0, 1} {
				wantFound(t, p, "Task?identifier=urn:test:task|a", want)
			}
		}},
		{"each second search finds nothing", map[string]any{"emptyEvery": 2}, func(t *testing.T) {
			create(0)
			for _, want := range []int{1, 0, 1, 0} {
				wantFound(t, p, "Task?identifier=urn:test:task|a", want)
			}
			wantFired(t, p, map[string]int{"emptyEvery": 2})
		}},
		{"searches lag behind", map[string]any{}, func(t *testing.T) {
			statuses(t, []int{201, 201}, create)
			first := only(t, p, "Task", 0)
			p.Habits(t, map[string]any{"searchLags": true})
			wantStatus(t, "a deletion", send(t, p, "DELETE", "/Task/"+first, ""), http.StatusOK)
			statuses(t, []int{201}, create)
			wantFound(t, p, "Task", 2)
			if found := send(t, p, "GET", "/Task", ""); !strings.Contains(found.body, first) {
				t.Errorf("found %s", found.body)
			}
			wantStatus(t, "a read", send(t, p, "GET", "/Task/"+first, ""), http.StatusGone)
			wantFired(t, p, map[string]int{"searchLags": 2})
			p.Habits(t, map[string]any{})
			if found := send(t, p, "GET", "/Task", ""); strings.Contains(found.body, first) {
				t.Errorf("found %s", found.body)
			}
		}},
	} {
		p.Habits(t, tt.habits)
		p.Reset(t)
		t.Run(tt.name, tt.test)
	}
	for _, wrong := range []string{`[]`, `{"nonsense":1}`, `{"conflictEvery":true}`, `{"dropReplies":-1}`, `{"ignoreIfMatch":1}`,
		`{"transactionsAsBatch":"maybe"}`, `{"cutReplies":3}`, `{"cutReads":{"every":0,"bytes":1}}`, `{"foreignNext":{"size":1}}`} {
		if _, err := p.exchange(t, "POST", strings.TrimSuffix(p.BaseURL, "/fhir")+"/_control/habits", []byte(wrong)); err == nil {
			t.Errorf("%s is accepted", wrong)
		}
	}
}

// only gives the id of the nth that is held of a type.
func only(t *testing.T, p *Peer, typ string, n int) string {
	t.Helper()
	held := p.Held(t, typ)
	if len(held) <= n {
		t.Fatalf("%d of type %s are held", len(held), typ)
	}
	var resource struct{ ID string }
	if err := json.Unmarshal(held[n], &resource); err != nil {
		t.Fatal(err)
	}
	return resource.ID
}
