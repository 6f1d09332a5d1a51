package peertest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
)

// Log is what the peer has counted since it started or was last reset.
type Log struct {
	// Requests to the FHIR base by method, then by what they were for: the resource type; "Bundle" for the base
	// itself; "Task/_search" and the like for a search by POST; "metadata".
	Requests map[string]map[string]int `json:"requests"`
	// Fired is how often each bad habit struck since the habits were last set.
	Fired map[string]int `json:"fired"`
}

// Reset empties the repository, forgets the log and counts the habits' requests anew. The habits stay.
func (p *Peer) Reset(t testing.TB) {
	t.Helper()
	p.control(t, http.MethodPost, "reset", nil)
}

// Habits replaces all bad habits; nil switches them off. An unknown habit fails the test.
func (p *Peer) Habits(t testing.TB, habits map[string]any) {
	t.Helper()
	if habits == nil {
		habits = map[string]any{}
	}
	body, err := json.Marshal(habits)
	if err != nil {
		t.Fatal("peertest: habits:", err)
	}
	p.control(t, http.MethodPost, "habits", body)
}

// Log reads the peer's counts. Searches of this package count too.
func (p *Peer) Log(t testing.TB) Log {
	t.Helper()
	var log Log
	if err := json.Unmarshal(p.control(t, http.MethodGet, "log", nil), &log); err != nil {
		t.Fatal("peertest: log:", err)
	}
	return log
}

// Search returns the resources that a query such as "Task?identifier=urn:a|b" finds, of all pages and in the order of
// the server. It returns none, not an error, where the server finds none.
func (p *Peer) Search(t testing.TB, query string) []json.RawMessage {
	t.Helper()
	resources := []json.RawMessage{}
	for next := p.BaseURL + "/" + query; next != ""; {
		var page struct {
			Entry []struct {
				Resource json.RawMessage `json:"resource"`
			} `json:"entry"`
			Link []struct {
				Relation string `json:"relation"`
				URL      string `json:"url"`
			} `json:"link"`
		}
		if err := json.Unmarshal(p.do(t, http.MethodGet, next, nil), &page); err != nil {
			t.Fatal("peertest: search:", err)
		}
		for _, entry := range page.Entry {
			resources = append(resources, entry.Resource)
		}
		next = ""
		for _, link := range page.Link {
			if link.Relation == "next" {
				next = link.URL
			}
		}
	}
	return resources
}

// Held returns everything of one type that the server holds, whatever its habits make of searches. It is not counted.
func (p *Peer) Held(t testing.TB, typ string) []json.RawMessage {
	t.Helper()
	resources := []json.RawMessage{}
	if err := json.Unmarshal(p.control(t, http.MethodGet, "held/"+typ, nil), &resources); err != nil {
		t.Fatal("peertest: held:", err)
	}
	return resources
}

func (p *Peer) control(t testing.TB, method, action string, body []byte) []byte {
	t.Helper()
	return p.do(t, method, strings.TrimSuffix(p.BaseURL, "/fhir")+"/_control/"+action, body)
}

// do fails the test on any answer that is not a success.
func (p *Peer) do(t testing.TB, method, url string, body []byte) []byte {
	t.Helper()
	answer, err := p.exchange(t, method, url, body)
	if err != nil {
		t.Fatalf("peertest: %v", err)
	}
	return answer
}

// exchange leaves out t.Context: Search and Log must also work while the test cleans up.
func (p *Peer) exchange(t testing.TB, method, url string, body []byte) ([]byte, error) {
	t.Helper()
	request, err := http.NewRequest(method, url, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if p.token != "" {
		request.Header.Set("Authorization", "Bearer "+p.token)
	}
	response, err := p.client.Do(request)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	answer, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", method, err)
	}
	if response.StatusCode/100 != 2 {
		return nil, fmt.Errorf("%s %s: %s: %s", method, url, response.Status, answer)
	}
	return answer, nil
}
