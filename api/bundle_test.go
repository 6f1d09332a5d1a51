package api

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/screen"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"pgregory.net/rapid"
)

// entryOf writes one entry.
func entryOf(resource, method, url string) string {
	return `{"resource":` + resource + `,"request":{"method":"` + method + `","url":"` + url + `"}}`
}

func bundleOf(bundleType string, entries ...string) string {
	return `{"resourceType":"Bundle","type":"` + bundleType + `","entry":[` + strings.Join(entries, ",") + `]}`
}

// The shape of HL7's example of a transaction (http://hl7.org/fhir/R4/bundle-transaction.json.html), from memory and with
// data of our own: creation under a temporary name, conditional creation, updates with and without a condition, deletion,
// conditional deletion, an operation, a search and a conditional read.
const officialTransaction = `{"resourceType":"Bundle","id":"bundle-transaction","type":"transaction","entry":[
 {"fullUrl":"urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a","resource":{"resourceType":"Patient","active":true},"request":{"method":"POST","url":"Patient"}},
 {"fullUrl":"urn:uuid:88f151c0-a954-468a-88bd-5ae15c08e059","resource":{"resourceType":"Patient","active":true},"request":{"method":"POST","url":"Patient","ifNoneExist":"identifier=http:/example.org/fhir/ids|234234"}},
 {"fullUrl":"http://example.org/fhir/Patient/123","resource":{"resourceType":"Patient","id":"123"},"request":{"method":"PUT","url":"Patient/123"}},
 {"fullUrl":"urn:uuid:74891afc-ed52-42a2-bcd7-f13d9b60f096","resource":{"resourceType":"Patient"},"request":{"method":"PUT","url":"Patient?identifier=http:/example.org/fhir/ids|456456"}},
 {"fullUrl":"http://example.org/fhir/Patient/123a","resource":{"resourceType":"Patient","id":"123a"},"request":{"method":"PUT","url":"Patient/123a","ifMatch":"W/\"2\""}},
 {"request":{"method":"DELETE","url":"Patient/234"}},
 {"request":{"method":"DELETE","url":"Patient?identifier=123456"}},
 {"fullUrl":"urn:uuid:79378cb8-8f58-48e8-a5e8-60ac2755b674","resource":{"resourceType":"Parameters","parameter":[{"name":"coding"}]},"request":{"method":"POST","url":"ValueSet/$lookup"}},
 {"request":{"method":"GET","url":"Patient?name=peter"}},
 {"request":{"method":"GET","url":"Patient/12334","ifNoneMatch":"W/\"4\"","ifModifiedSince":"2015-08-31T08:14:33+10:00"}}]}`

// http://hl7.org/fhir/R4/http.html#trules: the actions of a transaction succeed or fail together.
func TestATransactionWithWhatCannotBeDoneStoresNothing(t *testing.T) {
	t.Parallel()
	patch := entryOf(`{"resourceType":"Parameters"}`, "PATCH", "Procedure/p-2")
	for body, want := range map[string]string{
		officialTransaction: "error not-supported Bundle.entry[3].request.url, error not-supported Bundle.entry[6].request.url",
		bundleOf("transaction", entryOf(procedure, "PUT", "Procedure/p-1"), patch): "error not-supported Bundle.entry[1].request.method",
	} {
		r := setup(t, nil)
		w := r.send("POST", "/fhir", body)
		if got := issuesOf(t, w.Body.Bytes()); w.Code < 400 || w.Code > 499 || got != want || len(r.calls) != 0 {
			t.Errorf("%d %s, %d calls; want %s", w.Code, got, len(r.calls), want)
		}
	}
}

// http://hl7.org/fhir/R4/http.html#transaction-response: one entry for each, in order, each with a status.
func TestOfficialTransactionAsABatch(t *testing.T) {
	t.Parallel()
	r := setup(t, fates(
		screen.Outcome{Fate: screen.Created, Version: 1}, screen.Outcome{Fate: screen.Dropped},
		screen.Outcome{Fate: screen.Updated, Version: 4}, screen.Outcome{Fate: screen.Duplicate, Version: 2},
		screen.Outcome{Fate: screen.Forgotten}))
	w := r.send("POST", "/fhir", strings.Replace(officialTransaction, `"type":"transaction"`, `"type":"batch"`, 1))
	if w.Code != 200 {
		t.Fatalf("got %d %s", w.Code, w.Body)
	}
	one := uuid.NewSHA1(feedSpace("default"), []byte("urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a")).String()
	two := uuid.NewSHA1(feedSpace("default"), []byte("urn:uuid:88f151c0-a954-468a-88bd-5ae15c08e059")).String()
	bundleType, got := answers(t, w.Body.Bytes())
	want := []string{
		"201 Patient/" + one + `/_history/1 W/"1" information informational, warning incomplete Bundle.entry[0].resource.id`,
		"200",
		`200 Patient/123/_history/4 W/"4"`,
		"400 error not-supported Bundle.entry[3].request.url",
		`200 Patient/123a/_history/2 W/"2"`,
		"200",
		"400 error not-supported Bundle.entry[6].request.url",
		"200",
		"200",
		"200",
	}
	if diff := cmp.Diff(want, got); diff != "" || bundleType != "batch-response" {
		t.Errorf("%s (-want +got):\n%s", bundleType, diff)
	}
	if diff := cmp.Diff("Patient/"+one+" Patient/"+two+" Patient/123 Patient/123a -Patient/234", r.given(0)); diff != "" || len(r.calls) != 1 {
		t.Errorf("%d calls (-want +got):\n%s", len(r.calls), diff)
	}
	// samply's structs are generated from HL7's definitions.
	b, err := samply.UnmarshalBundle(w.Body.Bytes())
	if err != nil || b.Type.Code() != "batch-response" || len(b.Entry) != 10 || b.Entry[0].Response.Status != "201 Created" {
		t.Errorf("another library reads %+v, %v", b, err)
	}
}

func TestTransactionWithAnUnreadableEntryStoresNothing(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	body := bundleOf("transaction",
		entryOf(procedure, "PUT", "Procedure/p-1"),
		entryOf(`{"resourceType":"Procedure","code":{"text":"vena cava","text":"b"}}`, "POST", "Procedure"),
		entryOf(procedure, "PUT", "Procedure/p-2"),
		entryOf(procedure, "PUT", "Device/p-1"),
		`{"resource":`+procedure+`}`,
		entryOf(procedure, "SEND", "Procedure"),
		`{"request":{"method":"PUT","url":"Procedure/p-1"}}`,
		entryOf(procedure, "PUT", "https://elsewhere.example/Procedure/p-1"),
		entryOf(`{"resourceType":"Procedure"}`, "PUT", "Procedure"),
		entryOf(procedure, "PUT", "Procedure/p-1/a/b/c"),
		entryOf(procedure, "PUT", "Procedure/a_b"),
	)
	w := r.send("POST", "/feeds/ward/fhir", body)
	want := strings.Join([]string{
		"error structure Bundle.entry[1].resource.code.text",
		"error invalid Bundle.entry[2].resource.id",
		"error invalid Bundle.entry[3].resource.resourceType",
		"error required Bundle.entry[4].request",
		"error code-invalid Bundle.entry[5].request.method",
		"error required Bundle.entry[6].resource",
		"error value Bundle.entry[7].request.url",
		"error required Bundle.entry[8].resource.id",
		"error value Bundle.entry[9].request.url",
		"error value Bundle.entry[10].request.url",
	}, ", ")
	if diff := cmp.Diff(want, issuesOf(t, w.Body.Bytes())); diff != "" || w.Code != 400 {
		t.Errorf("%d (-want +got):\n%s", w.Code, diff)
	}
	if len(r.calls) != 0 {
		t.Error("something was stored")
	}
	if diff := cmp.Diff([]quarantined{{"ward", "/feeds/:feed/fhir", body, want, true}}, r.quarantined, cmp.AllowUnexported(quarantined{})); diff != "" {
		t.Errorf("quarantine (-want +got):\n%s", diff)
	}
}

func TestBatchKeepsTheGoodEntries(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	bad := entryOf(`{"resourceType":"Procedure","id":"x y"}`, "PUT", "Procedure/x")
	w := r.send("POST", "/fhir", bundleOf("batch",
		bad,
		entryOf(`{"resourceType":"Device","id":"d"}`, "PUT", "/Device/d"),
		entryOf(`{"resourceType":"Organization","id":"o"}`, "PUT", "Organization/o"),
		entryOf(`{"resourceType":"Binary","id":"b"}`, "PATCH", "Procedure/p"),
		entryOf(procedure, "PUT", "Procedure?identifier=1"),
		`{"request":{"method":"DELETE","url":"Device/e?_cascade=delete"}}`,
		`{"request":{"method":"HEAD","url":"Device/e"}}`,
		entryOf(`{"resourceType":"Procedure","id":"q","status":"odd"}`, "POST", "Procedure"),
		`null`,
	))
	bundleType, got := answers(t, w.Body.Bytes())
	want := []string{
		"400 error value Bundle.entry[0].resource.id",
		`201 Device/d/_history/1 W/"1"`,
		"200",
		"400 error not-supported Bundle.entry[3].request.method",
		`201 Procedure/p-1/_history/1 W/"1"`,
		`200 W/"1"`,
		"200",
		`201 Procedure/q/_history/1 W/"1" information informational, warning code-invalid Bundle.entry[7].resource.status`,
		"400 error structure Bundle.entry[8]",
	}
	if diff := cmp.Diff(want, got); diff != "" || bundleType != "batch-response" || w.Code != 200 {
		t.Errorf("%d %s (-want +got):\n%s", w.Code, bundleType, diff)
	}
	if diff := cmp.Diff("Device/d Procedure/p-1 -Device/e Procedure/q", r.given(0)); diff != "" || len(r.calls) != 1 {
		t.Errorf("%d calls (-want +got):\n%s", len(r.calls), diff)
	}
	if len(r.quarantined) != 2 || r.quarantined[0].body != bad || r.quarantined[0].keep {
		t.Errorf("quarantine: %+v", r.quarantined)
	}
}

func TestReferencesByTemporaryNamesAreResolved(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	const patient = "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"
	plain := `{"resourceType":"Procedure", "id":"q","subject":{"reference":"Patient/x"}, "n":1.50}`
	r.send("POST", "/feeds/ward/fhir", bundleOf("transaction",
		`{"resource":{"resourceType":"Procedure","id":"p", "subject":{"reference":"`+strings.ToUpper(patient[9:])+`"},"performer":[{"actor":{"reference":"urn:uuid:none"}}],"focalDevice":[{"manipulated":{"reference":"https://record.example/fhir/Device/d"}}],"n":1.50},"request":{"method":"POST","url":"Procedure"}}`,
		`{"resource":{"resourceType":"DeviceUseStatement","id":"s","subject":{"reference":"urn:uuid:`+strings.ToUpper(patient[9:])+`"},"note":[{"text":"`+patient+`"}]},"request":{"method":"POST","url":"DeviceUseStatement"}}`,
		`{"fullUrl":"`+patient+`","resource":{"resourceType":"Patient"},"request":{"method":"POST","url":"Patient"}}`,
		`{"fullUrl":"https://record.example/fhir/Device/d","resource":{"resourceType":"Device"},"request":{"method":"POST","url":"Device"}}`,
		entryOf(plain, "PUT", "Procedure/q"),
	))
	id := uuid.NewSHA1(feedSpace("ward"), []byte(patient)).String()
	var got []string
	for _, i := range r.calls[0] {
		got = append(got, i.Resource.Ref()+" "+string(i.Resource.Raw))
	}
	want := []string{
		`Procedure/p {"resourceType":"Procedure","id":"p", "subject":{"reference":"` + strings.ToUpper(patient[9:]) + `"},"performer":[{"actor":{"reference":"urn:uuid:none"}}],"focalDevice":[{"manipulated":{"reference":"Device/d"}}],"n":1.50}`,
		`DeviceUseStatement/s {"resourceType":"DeviceUseStatement","id":"s","subject":{"reference":"Patient/` + id + `"},"note":[{"text":"` + patient + `"}]}`,
		`Patient/` + id + ` {"resourceType":"Patient"}`,
		`Device/d {"resourceType":"Device"}`,
		"Procedure/q " + plain,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestAnotherFeedMakesAnotherID(t *testing.T) {
	t.Parallel()
	body := []byte(`{"resourceType":"Device"}`)
	if madeID("a", "", body) == madeID("b", "", body) || madeID("a", "", body) != madeID("a", "", slices.Clone(body)) ||
		madeID("a", "http://x.example/Device/1", body) != madeID("a", "", body) {
		t.Error("an id must depend on feed and content, and on nothing else")
	}
}

// A history is newest first (http://hl7.org/fhir/R4/http.html#history): the store gets the oldest first, the answer keeps
// the order of the request.
func TestHistory(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Accept = func(_ context.Context, items []screen.Item) ([]screen.Outcome, error) {
			var out []screen.Outcome
			for i := range items {
				out = append(out, screen.Outcome{Fate: screen.Updated, Version: int64(i + 1)})
			}
			return out, nil
		}
	})
	w := r.send("POST", "/feeds/ward/fhir", bundleOf("history",
		`{"request":{"method":"DELETE","url":"Device/d"},"response":{"status":"204","etag":"W/\"3\"","lastModified":"2026-01-03T00:00:00Z"}}`,
		`{"resource":{"resourceType":"Device","id":"d","status":"inactive"},"request":{"method":"PUT","url":"Device/d"},"response":{"status":"200","etag":"W/\"2\"","lastModified":"2026-01-02T00:00:00Z"}}`,
		`{"resource":{"resourceType":"Device","id":"d","meta":{"versionId":"1"}},"request":{"method":"POST","url":"Device"},"response":{"status":"201"}}`,
		`{"request":{"method":"GET","url":"Device/d"}}`,
		`{"resource":{"resourceType":"Device","id":"g"},"request":{"method":"GET","url":"Device/g"}}`,
		`{"resource":{"resourceType":"Device","id":"h"}}`,
		`{"request":{"method":"DELETE","url":"Device?x=y"}}`,
		`{"request":{"method":"DELETE","url":"https://record.example/fhir/Device/k/_history/9"}}`,
		`{"resource":{"resourceType":"Device"},"request":{"method":"PUT","url":"Device/m/_history/5"}}`,
		`{"request":{"method":"DELETE","url":"Device/n/_versions/9"}}`,
	))
	bundleType, got := answers(t, w.Body.Bytes())
	want := []string{`200 W/"6"`, `200 Device/d/_history/5 W/"5"`, `200 Device/d/_history/4 W/"4"`, "200", "200",
		`200 Device/h/_history/3 W/"3"`, "400 error value Bundle.entry[6].request.url", `200 W/"2"`,
		`200 Device/m/_history/1 W/"1"`, "400 error value Bundle.entry[9].request.url"}
	if diff := cmp.Diff(want, got); diff != "" || bundleType != "batch-response" {
		t.Errorf("%s (-want +got):\n%s", bundleType, diff)
	}
	if got := r.given(0); got != "Device/m -Device/k Device/h Device/d Device/d -Device/d" {
		t.Errorf("the store was given %s", got)
	}
	for i, v := range []string{"5", "9", "", "1", "2", "3"} {
		item := r.calls[0][i]
		if item.Resource.VersionID != v || (i >= 4) == item.Resource.LastUpdated.IsZero() {
			t.Errorf("item %d is version %q of %v, want %q", i, item.Resource.VersionID, item.Resource.LastUpdated, v)
		}
	}
	if last := r.calls[0][5]; len(last.Resource.Raw) != 0 {
		t.Errorf("a deletion holds type, id and version only: %+v", last)
	}
}

func TestBundlesThatCarryResources(t *testing.T) {
	t.Parallel()
	for _, bundleType := range []string{"searchset", "collection", "message", "document"} {
		r := setup(t, nil)
		w := r.send("POST", "/feeds/ward/fhir", bundleOf(bundleType,
			`{"resource":{"resourceType":"MessageHeader"}}`,
			`{"resource":`+procedure+`}`,
			`{"fullUrl":"http://record.example/fhir/Device/d","resource":{"resourceType":"Device"}}`,
			`{"fullUrl":"http://elsewhere.example/Device/d","resource":{"resourceType":"Device","id":"e"}}`,
			`{"search":{"mode":"outcome"},"resource":{"resourceType":"OperationOutcome"}}`,
			`{"fullUrl":"http://record.example/fhir/Device/z"}`))
		_, got := answers(t, w.Body.Bytes())
		want := []string{"200", `201 Procedure/p-1/_history/1 W/"1"`, `201 Device/d/_history/1 W/"1"`, `201 Device/e/_history/1 W/"1" information informational, warning conflict Bundle.entry[3].fullUrl`, "200", "200"}
		if diff := cmp.Diff(want, got); diff != "" || r.given(0) != "Procedure/p-1 Device/d Device/e" {
			t.Errorf("%s: store was given %q (-want +got):\n%s", bundleType, r.given(0), diff)
		}
	}
}

func TestBundlesThatAreRefused(t *testing.T) {
	t.Parallel()
	many := make([]string, fhir.MaxEntries+1)
	for i := range many {
		many[i] = "{}"
	}
	for name, c := range map[string]struct {
		body   string
		status int
		issues string
	}{
		"empty answer": {`{"resourceType":"Bundle","type":"batch-response","entry":[]}`, 422, "error not-supported Bundle.type"},
		"no type":      {`{"resourceType":"Bundle"}`, 400, "error required Bundle.type"},
		"unknown type": {`{"resourceType":"Bundle","type":"pile"}`, 400, "error code-invalid Bundle.type"},
		"an answer":    {bundleOf("batch-response", `{"response":{"status":"200"}}`), 422, "error not-supported Bundle.type"},
		"too many":     {bundleOf("batch", many...), 413, "error too-costly Bundle.entry"},
		"given twice":  {`{"resourceType":"Bundle","type":"batch","type":"transaction"}`, 400, "error structure Bundle.type"},
		"cut off":      {`{"resourceType":"Bundle","type":"batch","entry":[{"resource":{"resourceType":"Device","a":"`, 400, "fatal structure Bundle.entry[0].resource.a"},
	} {
		r := setup(t, nil)
		w := r.send("POST", "/fhir", c.body)
		if got := issuesOf(t, w.Body.Bytes()); w.Code != c.status || got != c.issues || len(r.calls) != 0 || len(r.quarantined) != 1 {
			t.Errorf("%s: got %d %s; %d stored, %d in quarantine", name, w.Code, got, len(r.calls), len(r.quarantined))
		}
	}
	r := setup(t, nil)
	if w := r.send("POST", "/fhir", `{"resourceType":"Bundle","type":"transaction"}`); w.Code != 200 || w.Body.String() != `{"resourceType":"Bundle","type":"transaction-response"}` || len(r.calls) != 0 {
		t.Errorf("an empty transaction is legal, got %d %s", w.Code, w.Body)
	}
}

func TestBundleWhileTheStoreIsOutOfReach(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Accept = func(context.Context, []screen.Item) ([]screen.Outcome, error) { return nil, fault.Unavailable }
	})
	w := r.send("POST", "/fhir", bundleOf("batch", entryOf(procedure, "PUT", "Procedure/p-1")))
	if w.Code != 503 || w.Header().Get("Retry-After") == "" {
		t.Errorf("got %d", w.Code)
	}
}

// Subscriptions R5 Backport 1.1, "Notifications": a history Bundle that begins with the status of the subscription.
func TestTopicNotifications(t *testing.T) {
	t.Parallel()
	status := func(kind string) string {
		return `{"resource":{"resourceType":"Parameters","parameter":[{"name":"status","valueCode":"active"},{"name":"type","valueCode":"` + kind +
			`"}]},"request":{"method":"GET","url":"Subscription/s/$status"},"response":{"status":"200"}}`
	}
	for name, c := range map[string]struct{ bundle, given, issues string }{
		"handshake": {bundleOf("history", status("handshake")), "", "information informational"},
		"heartbeat": {bundleOf("history", status("heartbeat")), "", "information informational"},
		"R5":        {bundleOf("subscription-notification", `{"resource":{"resourceType":"SubscriptionStatus","type":"heartbeat"}}`), "", "information informational"},
		"full resource": {bundleOf("history", status("event-notification"),
			`{"resource":`+procedure+`,"request":{"method":"PUT","url":"Procedure/p-1"},"response":{"status":"200"}}`,
			`{"resource":{"resourceType":"Device","id":"d"},"request":{"method":"GET","url":"Device/d"},"response":{"status":"200"}}`,
			`{"request":{"method":"DELETE","url":"Device/e"},"response":{"status":"204"}}`), "Procedure/p-1 Device/d -Device/e", ""},
		"id only": {bundleOf("history", status("event-notification"),
			`{"fullUrl":"https://record.example/fhir/Procedure/1","request":{"method":"PUT","url":"Procedure/1"},"response":{"status":"200"}}`), "", ""},
	} {
		r := setup(t, nil)
		w := r.send("POST", "/fhir", c.bundle)
		if w.Code != 200 || r.given(0) != c.given {
			t.Errorf("%s: got %d, store was given %q, want %q", name, w.Code, r.given(0), c.given)
		}
		if c.issues != "" && issuesOf(t, w.Body.Bytes()) != c.issues {
			t.Errorf("%s: got %s", name, w.Body)
		}
	}
}

// Whatever the mix of entries, a batch is answered entry by entry: as many answers as entries, each resource under its own
// id, and one call to the store.
func TestBatchAnswersInOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		kinds := rapid.SliceOfN(rapid.IntRange(0, 4), 1, 30).Draw(rt, "kinds")
		var entries, want []string
		for i, k := range kinds {
			id := "e" + strings.Repeat("x", i)
			switch k {
			case 0:
				entries = append(entries, entryOf(`{"resourceType":"Device","id":"`+id+`"}`, "PUT", "Device/"+id))
				want = append(want, "201 Device/"+id+`/_history/1 W/"1"`)
			case 1:
				entries, want = append(entries, `{"request":{"method":"DELETE","url":"Device/`+id+`"}}`), append(want, `200 W/"1"`)
			case 2:
				entries, want = append(entries, entryOf(`{"resourceType":"Device","id":"`+id+`"}`, "PUT", "Device/y")), append(want, "400")
			case 3:
				entries, want = append(entries, entryOf(`{"resourceType":"Organization","id":"`+id+`"}`, "PUT", "Organization/"+id)), append(want, "200")
			case 4:
				entries, want = append(entries, "[]"), append(want, "400")
			}
		}
		r := setup(t, nil)
		w := r.send("POST", "/fhir", bundleOf("batch", entries...))
		_, got := answers(t, w.Body.Bytes())
		for i := range got {
			if strings.HasPrefix(got[i], "400") {
				got[i] = "400"
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			rt.Fatalf("(-want +got):\n%s", diff)
		}
		if len(r.calls) > 1 {
			rt.Fatalf("the store was called %d times", len(r.calls))
		}
	})
}

func TestALargeBundle(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"batch","entry":[`)
	for i := range fhir.MaxEntries {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`{"fullUrl":"urn:uuid:` + uuid.NewSHA1(uuid.Nil, []byte{byte(i), byte(i >> 8)}).String() + `","resource":{"resourceType":"Device","patient":{"reference":"Patient/x"}},"request":{"method":"POST","url":"Device"}}`)
	}
	b.WriteString("]}")
	w := r.send("POST", "/fhir", b.String())
	if w.Code != 200 || len(r.calls) != 1 || len(r.calls[0]) != fhir.MaxEntries {
		t.Errorf("got %d and %d calls", w.Code, len(r.calls))
	}
}
