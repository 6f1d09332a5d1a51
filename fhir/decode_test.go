package fhir

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
)

func TestDecodeShowsAResource(t *testing.T) {
	t.Parallel()
	body := "\xef\xbb\xbf \n{ \"id\":\"a.B-9\", \"meta\":{\"versionId\":\"7\",\"lastUpdated\":\"2026-03-01T10:00:00.5+01:00\"},\n\t\"resourceType\":\"Procedure\", \"extra\":[1.50,null,-0.1e+3,true,\"\\ud83d\\ude00\\n\"] }\n"
	got, err := Decode([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	want := Resource{Type: "Procedure", ID: "a.B-9", VersionID: "7",
		LastUpdated: time.Date(2026, 3, 1, 9, 0, 0, 500_000_000, time.UTC),
		Raw:         []byte(strings.Trim(body, "\xef\xbb\xbf \n"))}
	if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) })); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if got.Ref() != "Procedure/a.B-9" {
		t.Errorf("Ref gives %s", got.Ref())
	}
}

func TestDecodeIsCaseSensitive(t *testing.T) {
	t.Parallel()
	got, err := Decode([]byte(`{"resourceType":"Device","ID":"x","Id":"y","Meta":3,"ResourceType":"Patient"}`))
	if err != nil || got.Type != "Device" || got.ID != "" {
		t.Errorf("got %+v, %v; other spellings of a name are other names", got, err)
	}
}

func TestDecodeTakesBadMeaning(t *testing.T) {
	t.Parallel()
	for _, body := range []string{
		`{"resourceType":"Procedure","status":"done","performedDateTime":"2023-02-30"}`,
		`{"resourceType":"Device","meta":{"lastUpdated":"yesterday"}}`,
	} {
		got, err := Decode([]byte(body))
		if err != nil || !got.LastUpdated.IsZero() || got.VersionID != "" {
			t.Errorf("%s: got %+v, %v", body, got, err)
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ body, issues string }{
		"nothing":              {"", "fatal structure Resource"},
		"version a number":     {`{"resourceType":"Organization","meta":{"versionId":5,"lastUpdated":null}}`, "error structure Organization.meta.versionId, error structure Organization.meta.lastUpdated"},
		"only white space":     {" \r\n\t", "fatal structure Resource"},
		"empty object":         {"{}", "error required Resource.resourceType"},
		"array":                {`[{"resourceType":"Device"}]`, "error structure Resource"},
		"number":               {"12", "error structure Resource"},
		"cut off":              {`{"resourceType":"Device","udiCarrier":[{"deviceIdentifier":"0`, "fatal structure Device.udiCarrier[0].deviceIdentifier"},
		"trailing comma":       {`{"resourceType":"Device",}`, "fatal structure Device"},
		"single quotes":        {`{'resourceType':'Device'}`, "fatal structure Resource"},
		"two documents":        {`{"resourceType":"Device"}{"resourceType":"Device"}`, "fatal structure Device"},
		"xml":                  {`<Device xmlns="http://hl7.org/fhir"/>`, "fatal structure Resource"},
		"leading zero":         {`{"resourceType":"Device","x":01}`, "fatal structure Device"},
		"bare point":           {`{"resourceType":"Device","x":1.}`, "fatal structure Device.x"},
		"NaN":                  {`{"resourceType":"Device","x":NaN}`, "fatal structure Device.x"},
		"no digits":            {`{"resourceType":"Device","x":-}`, "fatal structure Device.x"},
		"bare exponent":        {`{"resourceType":"Device","x":1e+}`, "fatal structure Device.x"},
		"no colon":             {`{"resourceType" "Device"}`, "fatal structure Resource.resourceType"},
		"no comma":             {`{"resourceType":"Device","x":[1 2]}`, "fatal structure Device.x"},
		"short escape":         {`{"resourceType":"Device","x":"\u00g0"}`, "fatal structure Device.x"},
		"pair of no surrogate": {`{"resourceType":"Device","x":"\ud83d\u0041"}`, "error value Device.x"},
		"late duplicate": {`{"resourceType":"Device","a":1,"b":1,"c":1,"d":1,"e":1,"f":1,"g":1,"h":1,"i":1,"j":1,"k":1,"l":1,"m":1,"n":1,"o":1,"p":1,"q":1,"c":2,"q":2}`,
			"error structure Device.c, error structure Device.q"},
		"raw control":          {"{\"resourceType\":\"Device\",\"x\":\"a\tb\"}", "fatal structure Device.x"},
		"bad escape":           {`{"resourceType":"Device","x":"\x41"}`, "fatal structure Device.x"},
		"duplicate, escaped":   {`{"resourceType":"Procedure","code":{"coding":[{"code":"1"},{"code":"1","\u0063ode":"2"}]}}`, "error structure Procedure.code.coding[1].code"},
		"duplicate id":         {`{"resourceType":"Procedure","id":"a","id":"b"}`, "error structure Procedure.id"},
		"two faults":           {`{"resourceType":"Procedure","id":"a_b","meta":[],"text":{"div":"","div":""}}`, "error structure Procedure.text.div, error value Procedure.id, error structure Procedure.meta"},
		"not UTF-8":            {"{\"resourceType\":\"Procedure\",\"code\":{\"text\":\"caf\xe9\"}}", "error structure Procedure.code.text"},
		"not UTF-8 as a name":  {"{\"resourceType\":\"Procedure\",\"caf\xe9\":1}", "error structure Procedure"},
		"U+0000":               {`{"resourceType":"Procedure","code":{"text":"a\u0000"}}`, "error value Procedure.code.text"},
		"half a surrogate":     {`{"resourceType":"Procedure","code":{"text":"\ud83d"}}`, "error value Procedure.code.text"},
		"surrogates reversed":  {`{"resourceType":"Procedure","code":{"text":"\ude00\ud83d"}}`, "error value Procedure.code.text"},
		"type is a number":     {`{"resourceType":7}`, "error value Resource.resourceType"},
		"type is lower case":   {`{"resourceType":"device"}`, "error value Resource.resourceType"},
		"type has a slash":     {`{"resourceType":"Device/1"}`, "error value Resource.resourceType"},
		"id is a number":       {`{"resourceType":"Device","id":7}`, "error value Device.id"},
		"id is empty":          {`{"resourceType":"Device","id":""}`, "error value Device.id"},
		"id is null":           {`{"resourceType":"Device","id":null}`, "error value Device.id"},
		"id of 65":             {`{"resourceType":"Device","id":"` + strings.Repeat("x", 65) + `"}`, "error value Device.id"},
		"a name hides its end": {`{"resourceType":"Device","Jo Doe":{"a":1,"a":2}}`, "error structure Device"},
		"65 levels":            {`{"resourceType":"Device","x":` + strings.Repeat("[", 64) + strings.Repeat("]", 64) + "}", "fatal structure Device.x" + strings.Repeat("[0]", 63)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := Decode([]byte(c.body))
			var invalid *Invalid
			if !errors.As(err, &invalid) || !errors.Is(err, fault.Invalid) {
				t.Fatalf("got %v, want *Invalid", err)
			}
			if diff := cmp.Diff(c.issues, summary(invalid.Issues)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if strings.Contains(err.Error(), "Doe") {
				t.Errorf("the error text repeats what was sent: %v", err)
			}
		})
	}
}

func TestDecodeTakes64Levels(t *testing.T) {
	t.Parallel()
	if _, err := Decode([]byte(`{"resourceType":"Device","x":` + strings.Repeat("[", 63) + strings.Repeat("]", 63) + "}")); err != nil {
		t.Error(err)
	}
}

func TestDecodeBoundsItsAnswer(t *testing.T) {
	t.Parallel()
	_, err := Decode([]byte(`{"resourceType":"Device"` + strings.Repeat(`,"x":1`, 1000) + "}"))
	var invalid *Invalid
	if !errors.As(err, &invalid) || len(invalid.Issues) != maxIssues {
		t.Errorf("got %d issues, want %d", len(invalid.Issues), maxIssues)
	}
}

func summary(issues []Issue) string {
	var parts []string
	for _, i := range issues {
		parts = append(parts, i.Severity+" "+i.Code+" "+i.Expression)
	}
	return strings.Join(parts, ", ")
}

// FuzzDecode holds Decode against encoding/json: whatever Decode takes is JSON, has the resourceType that encoding/json
// sees, and neither DecodeBundle, Warnings nor RewriteReferences panics on it or breaks it.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{"resourceType":"Procedure","id":"1","meta":{"versionId":"1"},"subject":{"reference":"urn:uuid:1"}}`,
		`{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"Parameters","parameter":[{"name":"type","valueCode":"handshake"}]},"request":{"method":"GET","url":"x"},"response":{"etag":"W/\"1\""}}]}`,
		`{"resourceType":"Bundle","type":"batch","entry":[1,{"resource":[]},{"a":1,"a":2}]}`,
		`{"a":"\ud83d\ude00","a":[1e5,-0.0]}`, "\xef\xbb\xbf{}", "[[[]]]", `{"reference":"\u0072"}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		r, err := Decode(body)
		if err != nil {
			var invalid *Invalid
			if !errors.As(err, &invalid) || len(invalid.Issues) == 0 {
				t.Fatalf("a fault without an issue: %v", err)
			}
			return
		}
		if !json.Valid(r.Raw) || r.Type != "Bundle" && !utf8.Valid(r.Raw) {
			t.Fatalf("took what is not JSON in UTF-8: %q", r.Raw)
		}
		var m map[string]json.RawMessage
		if err := json.Unmarshal(r.Raw, &m); err != nil || text(m["resourceType"]) != r.Type || text(m["id"]) != r.ID {
			t.Fatalf("reads another type or id than encoding/json: %+v %v", r, err)
		}
		Warnings(r)
		same := RewriteReferences(r.Raw, func(s string) (string, bool) { return "Patient/1", s != "Patient/1" })
		if !json.Valid(same) {
			t.Fatalf("the rewritten resource is not JSON: %q", same)
		}
		b, err := DecodeBundle(r)
		if err != nil {
			return
		}
		b.NotificationType()
		for _, e := range b.Entries {
			if e.Fault == nil && !utf8.Valid(e.Raw) {
				t.Fatalf("took an entry that is not UTF-8: %q", e.Raw)
			}
		}
	})
}
