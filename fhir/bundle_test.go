package fhir

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func decodeBundle(t *testing.T, body string) (Bundle, error) {
	t.Helper()
	r, err := Decode([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	return DecodeBundle(r)
}

func TestDecodeBundleReadsEntriesInOrder(t *testing.T) {
	t.Parallel()
	b, err := decodeBundle(t, `{"resourceType":"Bundle","type":"history","entry":[
		{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Device","id":"d1"},"request":{"method":"PUT","url":"Device/d1","ifMatch":"W/\"1\"","ifNoneExist":"a=b"}},
		{"request":{"method":"DELETE","url":"Device/d2"},"response":{"status":"200","etag":"W/\"3\"","lastModified":"2026-01-02T03:04:05Z"}}]}`)
	if err != nil || b.Type != "history" || len(b.Entries) != 2 {
		t.Fatalf("got %+v, %v", b, err)
	}
	first, second := b.Entries[0], b.Entries[1]
	if first.FullURL != "urn:uuid:1" || first.Method != "PUT" || first.URL != "Device/d1" || first.IfMatch != `W/"1"` ||
		first.IfNoneExist != "a=b" || !first.HasResource || first.Resource.Ref() != "Device/d1" || first.Fault != nil {
		t.Errorf("first: %+v", first)
	}
	if second.HasResource || second.Version != "3" || !second.LastModified.Equal(time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)) {
		t.Errorf("second: %+v", second)
	}
}

func TestDecodeBundleKeepsFaultsWithTheirEntry(t *testing.T) {
	t.Parallel()
	b, err := decodeBundle(t, `{"resourceType":"Bundle","type":"batch","entry":[
		{"resource":{"resourceType":"Procedure","code":{"text":"a","text":"b"}},"request":{"method":"POST","url":"Procedure"}},
		{"resource":{"resourceType":"Device"},"request":{"method":"POST","url":"Device"}},
		{"resource":{"id":"x y"},"request":{"url":4}},
		17, {"resource":[]}, {"resource":{"resourceType":"Device"},"request":"POST"}]}`)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range b.Entries {
		if e.Fault == nil {
			got = append(got, "")
			continue
		}
		got = append(got, summary(e.Fault.Issues))
	}
	want := []string{
		"error structure Bundle.entry[0].resource.code.text",
		"",
		"error structure Bundle.entry[2].request.url, error required Bundle.entry[2].request.method, error required Bundle.entry[2].resource.resourceType, error value Bundle.entry[2].resource.id",
		"error structure Bundle.entry[3]",
		"error structure Bundle.entry[4].resource",
		"error structure Bundle.entry[5].request",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestDecodeBundleRefuses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ body, want string }{
		"another resource": {`{"resourceType":"Device"}`, "error structure Device"},
		"no type":          {`{"resourceType":"Bundle","entry":[]}`, "error required Bundle.type"},
		"unknown type":     {`{"resourceType":"Bundle","type":"Batch"}`, "error code-invalid Bundle.type"},
		"entry an object":  {`{"resourceType":"Bundle","type":"batch","entry":{}}`, "error structure Bundle.entry"},
		"too many": {`{"resourceType":"Bundle","type":"batch","entry":[{}` + strings.Repeat(",{}", MaxEntries) + `]}`,
			"error too-costly Bundle.entry"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := decodeBundle(t, c.body)
			var invalid *Invalid
			if !errors.As(err, &invalid) {
				t.Fatalf("got %v", err)
			}
			if got := summary(invalid.Issues); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
	if b, err := decodeBundle(t, `{"resourceType":"Bundle","type":"transaction"}`); err != nil || len(b.Entries) != 0 {
		t.Errorf("an empty transaction is legal, got %v", err)
	}
	if _, err := decodeBundle(t, `{"resourceType":"Bundle","type":"batch","entry":[{}`+strings.Repeat(",{}", MaxEntries-1)+`]}`); err != nil {
		t.Errorf("%d entries are allowed, got %v", MaxEntries, err)
	}
}

func TestNotificationType(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		`{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"Parameters","parameter":[{"name":"status","valueCode":"active"},{"name":"type","valueCode":"heartbeat"}]}}]}`: "heartbeat",
		`{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"SubscriptionStatus","type":"handshake"}}]}`:                                                                   "handshake",
		`{"resourceType":"Bundle","type":"subscription-notification","entry":[{"resource":{"resourceType":"SubscriptionStatus","type":"event-notification"}}]}`:                                        "event-notification",
		`{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"Device"}}]}`:                                                                                                  "-",
		`{"resourceType":"Bundle","type":"batch","entry":[{"resource":{"resourceType":"Parameters"}}]}`:                                                                                                "-",
		`{"resourceType":"Bundle","type":"history"}`: "-",
	} {
		b, err := decodeBundle(t, body)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := b.NotificationType()
		if !ok {
			got = "-"
		}
		if got != want {
			t.Errorf("%s: got %q, want %q", body, got, want)
		}
	}
}

func TestRewriteReferences(t *testing.T) {
	t.Parallel()
	to := func(s string) (string, bool) { return "Patient/p1", s == "urn:uuid:1" }
	for in, want := range map[string]string{
		`{"subject": {"reference" : "urn:uuid:1", "display":"urn:uuid:1"} , "x":1.50}`:                                  `{"subject": {"reference" : "Patient/p1", "display":"urn:uuid:1"} , "x":1.50}`,
		`{"a":[{"reference":"urn:uuid:2"},[],{},{"b":{"reference":"urn:uuid:\u0031"}}],"c":{"reference":"urn:uuid:1"}}`: `{"a":[{"reference":"urn:uuid:2"},[],{},{"b":{"reference":"Patient/p1"}}],"c":{"reference":"Patient/p1"}}`,
		`{"\u0072eference":"urn:uuid:1"}`:          `{"\u0072eference":"Patient/p1"}`,
		`{"identifier":{"value":"urn:uuid:1"}}`:    `{"identifier":{"value":"urn:uuid:1"}}`,
		`{"reference":{"reference":"urn:uuid:1"}}`: `{"reference":{"reference":"Patient/p1"}}`,
	} {
		if diff := cmp.Diff(want, string(RewriteReferences([]byte(in), to))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", in, diff)
		}
	}
}
