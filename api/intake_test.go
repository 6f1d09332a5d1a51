package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/screen"

	"github.com/google/go-cmp/cmp"
)

const procedure = `{"resourceType":"Procedure","id":"p-1","status":"completed","subject":{"reference":"Patient/x"}}`

func TestSingleResources(t *testing.T) {
	t.Parallel()
	type want struct {
		status         int
		location, etag string
		issues, given  string
	}
	const info = "information informational"
	created := fates(screen.Outcome{Fate: screen.Created, Version: 1})
	made := "Procedure/" + madeID("default", "", []byte(`{"resourceType":"Procedure","status":"completed"}`))
	for name, c := range map[string]struct {
		store             func(*Config)
		method, url, body string
		header            string
		want              want
	}{
		"put":            {created, "PUT", "/fhir/Procedure/p-1", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"post at its id": {created, "POST", "/fhir/Procedure/p-1", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"post to type":   {created, "POST", "/fhir/Procedure", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"post to base":   {created, "POST", "/fhir", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"slash at end":   {created, "POST", "/fhir/", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"put to type":    {created, "PUT", "/fhir/Procedure", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"named feed":     {created, "PUT", "/feeds/ward/fhir/Procedure/p-1", procedure, "", want{201, "/feeds/ward/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"id from the URL": {created, "PUT", "/fhir/Procedure/u-1", `{"resourceType":"Procedure","status":"completed"}`, "",
			want{201, "/fhir/Procedure/u-1/_history/1", `W/"1"`, info, "Procedure/u-1"}},
		"id from the bytes": {created, "POST", "/fhir/Procedure", `{"resourceType":"Procedure","status":"completed"}`, "",
			want{201, "/fhir/" + made + "/_history/1", `W/"1"`, info, made}},
		"updated":                        {fates(screen.Outcome{Fate: screen.Updated, Version: 7}), "PUT", "/fhir/Procedure/p-1", procedure, "", want{200, "/fhir/Procedure/p-1/_history/7", `W/"7"`, info, "Procedure/p-1"}},
		"duplicate":                      {fates(screen.Outcome{Fate: screen.Duplicate, Version: 7}), "PUT", "/fhir/Procedure/p-1", procedure, "", want{200, "/fhir/Procedure/p-1/_history/7", `W/"7"`, info, "Procedure/p-1"}},
		"stale":                          {fates(screen.Outcome{Fate: screen.Stale, Version: 6}), "PUT", "/fhir/Procedure/p-1", procedure, "", want{200, "/fhir/Procedure/p-1/_history/6", `W/"6"`, info, "Procedure/p-1"}},
		"dropped":                        {fates(screen.Outcome{Fate: screen.Dropped}), "PUT", "/fhir/Procedure/p-1", procedure, "", want{200, "", "", info, "Procedure/p-1"}},
		"forgotten":                      {fates(screen.Outcome{Fate: screen.Forgotten}), "PUT", "/fhir/Procedure/p-1", procedure, "", want{200, "", "", info, "Procedure/p-1"}},
		"if-match is not evaluated":      {created, "PUT", "/fhir/Procedure/p-1", procedure, `If-Match: W/"99"`, want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"if-none-exist is not evaluated": {created, "POST", "/fhir/Procedure", procedure, `If-None-Exist: identifier=1`, want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"bad meaning is taken": {created, "PUT", "/fhir/Procedure/p-1", `{"resourceType":"Procedure","id":"p-1","status":"done","performedDateTime":"2023-02-30"}`, "",
			want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info + ", warning code-invalid Procedure.status, warning value Procedure.performedDateTime", "Procedure/p-1"}},
		"type of no use":     {created, "PUT", "/fhir/Immunization/i", `{"resourceType":"Immunization","id":"i"}`, "", want{200, "", "", info, ""}},
		"no R4 type at base": {created, "POST", "/fhir", `{"resourceType":"NutritionIntake","id":"i"}`, "", want{422, "", "", "error not-supported NutritionIntake", ""}},
		"no R4 type as door": {created, "PUT", "/fhir/NutritionIntake/i", `{"resourceType":"NutritionIntake","id":"i"}`, "", want{404, "", "", "error not-supported", ""}},
		"door in lower case": {created, "PUT", "/fhir/procedure/i", procedure, "", want{404, "", "", "error not-supported", ""}},
		"bundle as resource": {created, "POST", "/fhir/Bundle", `{"resourceType":"Bundle","type":"batch"}`, "", want{200, "", "", info, ""}},
		"unknown feed":       {created, "PUT", "/feeds/nowhere/fhir/Procedure/p-1", procedure, "", want{404, "", "", "error not-found", ""}},

		"delete":                 {fates(screen.Outcome{Fate: screen.Updated, Version: 3}), "DELETE", "/fhir/Procedure/p-1", "", "", want{200, "", `W/"3"`, info, "-Procedure/p-1"}},
		"delete unknown":         {fates(screen.Outcome{Fate: screen.Forgotten}), "DELETE", "/fhir/Procedure/p-1", "", "", want{200, "", "", info, "-Procedure/p-1"}},
		"delete of no use":       {created, "DELETE", "/fhir/Immunization/i", "", "", want{200, "", "", info, ""}},
		"delete by search":       {created, "DELETE", "/fhir/Procedure?identifier=1", "", "", want{400, "", "", "error not-supported Procedure", ""}},
		"delete of a type":       {created, "DELETE", "/fhir/Procedure", "", "", want{400, "", "", "error not-supported Procedure", ""}},
		"delete at a bad id":     {created, "DELETE", "/fhir/Procedure/a_b", "", "", want{400, "", "", "error value Procedure.id", ""}},
		"header of a deletion":   {fates(screen.Outcome{Fate: screen.Updated, Version: 2}), "POST", "/fhir", " {} ", "X-Record-Deleted-Resource: Procedure/p-1", want{200, "", `W/"2"`, info, "-Procedure/p-1"}},
		"header, type of no use": {created, "POST", "/fhir", "{}", "X-Record-Deleted-Resource: Immunization/p-1", want{200, "", "", info, ""}},
		"header of no id":        {created, "POST", "/fhir", "{}", "X-Record-Deleted-Resource: Device?x=1", want{400, "", "", "error value", ""}},
		"header, elsewhere":      {created, "POST", "/fhir", "{}", "X-Record-Deleted-Resource: https://b.example/fhir/Device/d", want{400, "", "", "error value", ""}},
		"empty object":           {created, "POST", "/fhir", "{}", "", want{400, "", "", "error required Resource.resourceType", ""}},
		"empty notification":     {created, "POST", "/fhir", "", "", want{200, "", "", info, ""}},
		"empty body at type":     {created, "POST", "/fhir/Procedure", "", "", want{400, "", "", "fatal structure Resource", ""}},

		"other id":              {created, "PUT", "/fhir/Procedure/p-2", procedure, "", want{400, "", "", "error invalid Procedure.id", ""}},
		"id in another case":    {created, "PUT", "/fhir/Procedure/P-1", procedure, "", want{400, "", "", "error invalid Procedure.id", ""}},
		"other type":            {created, "PUT", "/fhir/Device/p-1", procedure, "", want{400, "", "", "error invalid Procedure.resourceType", ""}},
		"post of another type":  {created, "POST", "/fhir/Device", procedure, "", want{400, "", "", "error invalid Procedure.resourceType", ""}},
		"update without id":     {created, "PUT", "/fhir/Procedure", `{"resourceType":"Procedure","status":"completed"}`, "", want{400, "", "", "error required Procedure.id", ""}},
		"update by search":      {created, "PUT", "/fhir/Procedure?identifier=1", `{"resourceType":"Procedure","status":"completed"}`, "", want{400, "", "", "error not-supported Procedure", ""}},
		"by search with its id": {created, "PUT", "/fhir/Procedure?identifier=1", procedure, "", want{201, "/fhir/Procedure/p-1/_history/1", `W/"1"`, info, "Procedure/p-1"}},
		"not JSON":              {created, "PUT", "/fhir/Procedure/p-1", `{"resourceType":"Procedure"`, "", want{400, "", "", "fatal structure Procedure", ""}},
		"duplicate member":      {created, "PUT", "/fhir/Procedure/p-1", `{"resourceType":"Procedure","code":{"text":"a","text":"b"}}`, "", want{400, "", "", "error structure Procedure.code.text", ""}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := setup(t, c.store)
			var headers []string
			if c.header != "" {
				headers = append(headers, c.header)
			}
			w := r.send(c.method, c.url, c.body, headers...)
			got := want{w.Code, w.Header().Get("Location"), w.Header().Get("ETag"), issuesOf(t, w.Body.Bytes()), r.given(0)}
			if diff := cmp.Diff(c.want, got, cmp.AllowUnexported(want{})); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if ct := w.Header().Get("Content-Type"); ct != fhirJSON {
				t.Errorf("Content-Type is %q", ct)
			}
		})
	}
}

func TestRawStaysWhatCame(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	body := "{ \"resourceType\": \"Device\",\r\n \"x\": 1.50 }"
	r.send("PUT", "/feeds/ward/fhir/Device/d-1", "\xef\xbb\xbf"+body+"\n")
	if len(r.calls) != 1 {
		t.Fatalf("Accept was called %d times", len(r.calls))
	}
	item := r.calls[0][0]
	if string(item.Resource.Raw) != body || item.Resource.ID != "d-1" || item.Feed != "ward" {
		t.Errorf("got %+v with %q", item, item.Resource.Raw)
	}
}

func TestLocationWithAPublicURL(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.PublicURL = "https://dwellwatch.example/" })
	w := r.send("PUT", "/feeds/ward/fhir/Procedure/p-1", procedure)
	if got := w.Header().Get("Location"); got != "https://dwellwatch.example/feeds/ward/fhir/Procedure/p-1/_history/1" {
		t.Errorf("Location is %q", got)
	}
}

func packed(t *testing.T, s string) string {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := z.Write([]byte(s)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestBodiesAndMediaTypes(t *testing.T) {
	t.Parallel()
	large := `{"resourceType":"Procedure","id":"p-1","x":"` + strings.Repeat("a", 4096) + `"}`
	for name, c := range map[string]struct {
		body    string
		headers []string
		status  int
		issues  string
	}{
		"fhir json":              {procedure, nil, 201, ""},
		"with parameters":        {procedure, []string{"Content-Type: application/fhir+json; charset=UTF-8; fhirVersion=4.0"}, 201, ""},
		"json":                   {procedure, []string{"Content-Type: application/json"}, 201, ""},
		"older name":             {procedure, []string{"Content-Type: application/json+fhir"}, 201, ""},
		"no type":                {procedure, []string{"Content-Type: "}, 201, ""},
		"byte order mark":        {"\xef\xbb\xbf" + procedure, nil, 201, ""},
		"gzip":                   {packed(t, procedure), []string{"Content-Encoding: gzip"}, 201, ""},
		"xml":                    {"<Procedure/>", []string{"Content-Type: application/fhir+xml"}, 415, "error not-supported"},
		"text":                   {procedure, []string{"Content-Type: text/plain"}, 415, "error not-supported"},
		"ndjson":                 {procedure, []string{"Content-Type: application/fhir+ndjson"}, 415, "error not-supported"},
		"no media type":          {procedure, []string{"Content-Type: ;;"}, 415, "error not-supported"},
		"latin 1":                {procedure, []string{"Content-Type: application/json; charset=iso-8859-1"}, 415, "error not-supported"},
		"another FHIR":           {procedure, []string{"Content-Type: application/fhir+json; fhirVersion=5.0"}, 415, "error not-supported"},
		"deflate":                {procedure, []string{"Content-Encoding: deflate"}, 415, "error not-supported"},
		"gzip twice":             {packed(t, packed(t, procedure)), []string{"Content-Encoding: gzip, gzip"}, 415, "error not-supported"},
		"not gzip":               {procedure, []string{"Content-Encoding: gzip"}, 400, "fatal structure Resource"},
		"gzip cut off":           {packed(t, procedure)[:30], []string{"Content-Encoding: gzip"}, 400, "fatal structure Resource"},
		"too long":               {large, nil, 413, "error too-long Resource"},
		"too long when unpacked": {packed(t, large), []string{"Content-Encoding: gzip"}, 413, "error too-long Resource"},
		"accepts xml":            {procedure, []string{"Accept: application/fhir+xml"}, 406, "error not-supported"},
		"refuses json":           {procedure, []string{"Accept: application/fhir+json;q=0"}, 406, "error not-supported"},
		"accepts xml or json":    {procedure, []string{"Accept: application/fhir+xml, application/fhir+json;q=0.5"}, 201, ""},
		"accepts all":            {procedure, []string{"Accept: text/html, */*;q=0.1"}, 201, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := setup(t, func(c *Config) { c.BodyLimit = 2048 })
			w := r.send("PUT", "/fhir/Procedure/p-1", c.body, c.headers...)
			if w.Code != c.status {
				t.Fatalf("got %d, want %d: %s", w.Code, c.status, w.Body)
			}
			if got := issuesOf(t, w.Body.Bytes()); c.issues != "" && got != c.issues {
				t.Errorf("got %q, want %q", got, c.issues)
			}
			stored, noted := len(r.calls), len(r.quarantined)
			if good := c.status == 201; good != (stored == 1) || (!good && c.status != 406) != (noted == 1) {
				t.Errorf("%d deliveries were stored and %d put into quarantine", stored, noted)
			}
		})
	}
}

func TestFormatOverridesAccept(t *testing.T) {
	t.Parallel()
	for query, status := range map[string]int{"json": 200, "application/fhir+json": 200, "application/fhir%2Bjson": 200, "xml": 406, "html": 406} {
		r := setup(t, nil)
		if w := r.send("GET", "/fhir/metadata?_format="+query, "", "Accept: application/fhir+xml"); w.Code != status {
			t.Errorf("%s: got %d, want %d", query, w.Code, status)
		}
	}
}

func TestPlainJSONWhenAskedFor(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	if got := r.send("PUT", "/fhir/Procedure/p-1", procedure, "Accept: application/json").Header().Get("Content-Type"); got != plainJSON {
		t.Errorf("got %q", got)
	}
}

func TestQuarantineKeepsOnlyWhatTouchesOnFilters(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.BodyLimit = 100 })
	r.send("PUT", "/feeds/ward/fhir/Procedure/p-1", `{"resourceType":"Procedure","code":{"text":"vena cava"`)
	r.send("PUT", "/fhir/Procedure/p-1", `{"resourceType":"Procedure","code":{"text":"knee"`)
	r.send("POST", "/fhir", strings.Repeat("vena cava ", 20))
	want := []quarantined{
		{"ward", "/feeds/:feed/fhir/:type/:id", `{"resourceType":"Procedure","code":{"text":"vena cava"`, "fatal structure Procedure.code", true},
		{"default", "/fhir/:type/:id", `{"resourceType":"Procedure","code":{"text":"knee"`, "fatal structure Procedure.code", false},
		{"default", "/fhir", "", "error too-long Resource", false},
	}
	if diff := cmp.Diff(want, r.quarantined, cmp.AllowUnexported(quarantined{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestErrorsBecomeAnswers(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err    error
		status int
		issues string
		retry  string
	}{
		"invalid":     {fmt.Errorf("Jo Doe: %w", fault.Invalid), 400, "error invalid", ""},
		"not found":   {fmt.Errorf("Jo Doe: %w", fault.NotFound), 404, "error not-found", ""},
		"unavailable": {fmt.Errorf("Jo Doe: %w", fault.Unavailable), 503, "error transient", "30"},
		"superseded":  {fmt.Errorf("Jo Doe: %w", fault.Superseded), 500, "fatal exception", ""},
		"anything":    {errors.New("Jo Doe"), 500, "fatal exception", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := setup(t, func(cfg *Config) {
				cfg.Accept = func(context.Context, []screen.Item) ([]screen.Outcome, error) { return nil, c.err }
			})
			w := r.send("PUT", "/feeds/ward/fhir/Procedure/p-1", procedure)
			if w.Code != c.status || issuesOf(t, w.Body.Bytes()) != c.issues || w.Header().Get("Retry-After") != c.retry {
				t.Errorf("got %d %s", w.Code, w.Body)
			}
			if strings.Contains(w.Body.String()+r.log.String(), "Doe") {
				t.Errorf("the text of the error got out: %s\n%s", w.Body, r.log)
			}
			if got := r.audit[0]; got.Number != 0 || got.Outcome != fmt.Sprint(c.status) {
				t.Errorf("the audit says %+v", got)
			}
		})
	}
}

// sqlError stands for an error of the database, whose text may repeat what it was given.
type sqlError struct{}

func (sqlError) Error() string    { return "invalid input: Jo Doe" }
func (sqlError) SQLState() string { return "22P02" }

func TestLogNamesTheSQLState(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Accept = func(context.Context, []screen.Item) ([]screen.Outcome, error) {
			return nil, fmt.Errorf("accept: %w", sqlError{})
		}
	})
	r.send("PUT", "/fhir/Procedure/p-1", procedure)
	if log := r.log.String(); !strings.Contains(log, "22P02") || strings.Contains(log, "Doe") {
		t.Errorf("the log says %s", log)
	}
}

func TestWrongNumberOfOutcomesIsAnError(t *testing.T) {
	t.Parallel()
	r := setup(t, fates())
	if w := r.send("PUT", "/fhir/Procedure/p-1", procedure); w.Code != 500 {
		t.Errorf("got %d", w.Code)
	}
}

func TestQuarantineOutOfReachMakesTheSenderSendAgain(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) {
		c.Quarantine = func(context.Context, Refused) error { return fault.Unavailable }
	})
	if w := r.send("PUT", "/fhir/Procedure/p-1", `{"resourceType":`); w.Code != http.StatusServiceUnavailable {
		t.Errorf("got %d", w.Code)
	}
	batch := `{"resourceType":"Bundle","type":"batch","entry":[{},{"resource":` + procedure + `,"request":{"method":"PUT","url":"Procedure/p-1"}}]}`
	if w := r.send("POST", "/fhir", batch); w.Code != http.StatusServiceUnavailable || len(r.calls) != 0 {
		t.Errorf("batch: got %d, and the store was called %d times", w.Code, len(r.calls))
	}
}
