package sandbox_test

import (
	"fmt"
	"strings"
	"testing"
)

func entry(method, url, fullURL, resource, more string) string {
	e := `{"request":{"method":"` + method + `","url":"` + url + `"` + more + `}`
	if fullURL != "" {
		e += `,"fullUrl":"` + fullURL + `"`
	}
	if resource != "" {
		e += `,"resource":` + resource
	}
	return e + `}`
}

func transaction(entries ...string) string {
	return `{"resourceType":"Bundle","type":"transaction","entry":[` + strings.Join(entries, ",") + `]}`
}

const (
	patientURN  = "urn:uuid:9a3c3a52-6a5f-4b9e-8f0c-0f6f4a1d5c01"
	taskURN     = "urn:uuid:9a3c3a52-6a5f-4b9e-8f0c-0f6f4a1d5c02"
	patientBody = `{"resourceType":"Patient","identifier":[{"system":"urn:mrn","value":"1"},{"system":"urn:ietf:rfc:3986","value":"` + patientURN + `"}]}`
	taskBody    = `{"resourceType":"Task","status":"draft","for":{"reference":"` + patientURN + `"}}`
)

func TestTransactionReferences(t *testing.T) {
	t.Parallel()
	b := setup(t)
	// The Task comes first although it names the Patient: order must not matter.
	send := func() []string {
		a := b.expect(200, "POST", "/", transaction(
			entry("POST", "Task", taskURN, taskBody, ""),
			entry("POST", "Patient", patientURN, patientBody, `,"ifNoneExist":"identifier=urn:mrn|1"`),
			entry("PUT", "Provenance/pv", "", `{"resourceType":"Provenance","id":"pv","target":[{"reference":"`+taskURN+`"}]}`, "")))
		var statuses []string
		for _, r := range a.body.Get("entry.#.response").Array() {
			statuses = append(statuses, r.Get("status").String()[:3])
			if r.Get("etag").String() == "" || !strings.HasPrefix(r.Get("location").String(), b.base) {
				t.Errorf("response %s", r.Raw)
			}
		}
		return statuses
	}
	if got := fmt.Sprint(send()); got != "[201 201 201]" {
		t.Errorf("first: %s", got)
	}
	if got := fmt.Sprint(send()); got != "[201 200 200]" {
		t.Errorf("second: %s", got)
	}
	patients := b.expect(200, "GET", "/Patient", "").body
	if len(ids(patients)) != 1 {
		t.Fatalf("ifNoneExist made %d patients", len(ids(patients)))
	}
	if got := patients.Get("entry.0.resource.identifier.1.value").String(); got != patientURN {
		t.Errorf("an identifier became %s", got)
	}
	tasks := b.expect(200, "GET", "/Task?patient="+ids(patients)[0], "").body
	if len(ids(tasks)) != 2 {
		t.Errorf("%d tasks name the patient", len(ids(tasks)))
	}
	if got := b.expect(200, "GET", "/Provenance/pv", "").body.Get("target.0.reference").String(); got != "Task/"+ids(tasks)[1] {
		t.Errorf("the target is %s", got)
	}
}

func TestTransactionIsAllOrNothing(t *testing.T) {
	t.Parallel()
	good := entry("PUT", "Task/new", "", task("new", "n", "p"), "")
	for name, c := range map[string]struct {
		status int
		bad    string
	}{
		"stale If-Match":      {412, entry("PUT", "Task/third", "", task("third", "o", "p"), `,"ifMatch":"W/\"7\""`)},
		"missing entry":       {400, entry("POST", "Task", "", taskBody, "")},
		"same resource twice": {400, entry("DELETE", "Task/new", "", "", "")},
		"another id":          {400, entry("PUT", "Task/x", "", task("y", "o", "p"), "")},
		"unknown type":        {400, entry("POST", "Nonsense", "", `{"resourceType":"Nonsense"}`, "")},
		"unknown method":      {400, entry("PATCH", "Task/old", "", "[]", "")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t)
			heard := 0
			b.expect(201, "PUT", "/Task/old", task("old", "o", "p"))
			b.expect(201, "PUT", "/Task/third", task("third", "o", "p"))
			b.record.OnChange(func(string, string, string, []byte) { heard++ })
			b.expect(c.status, "POST", "/", transaction(good, entry("DELETE", "Task/old", "", "", ""), c.bad))
			b.expect(c.status, "POST", "/", transaction(c.bad, good))
			b.expect(404, "GET", "/Task/new", "")
			b.expect(200, "GET", "/Task/old", "")
			if heard != 0 {
				t.Errorf("%d changes were told", heard)
			}
		})
	}
}

func TestTransactionBundleOnly(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.expect(400, "POST", "/", `{"resourceType":"Bundle","type":"history"}`)
	b.expect(400, "POST", "/", `{`)
	if got := b.expect(200, "POST", "/", transaction()).body.Get("type").String(); got != "transaction-response" {
		t.Errorf("an empty transaction gives %s", got)
	}
	b.expect(201, "PUT", "/Task/t1", task("t1", "a", "p"))
	gone := b.expect(200, "POST", "/", transaction(entry("DELETE", "Task/t1", "", "", "")))
	if got := gone.body.Get("entry.0.response.status").String(); got != "204 No Content" {
		t.Errorf("status %s", got)
	}
	b.expect(410, "GET", "/Task/t1", "")
}
