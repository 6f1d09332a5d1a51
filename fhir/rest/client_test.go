package rest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

const secretID = "pat-4711-secret"

// serve starts a server for failure injection and gives a client for base/fhir.
func serve(t *testing.T, h http.HandlerFunc, change ...func(*Config)) *Client {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	cfg := Config{BaseURL: s.URL + "/fhir/", Token: "token-1", Timeout: 2 * time.Second}
	for _, f := range change {
		f(&cfg)
	}
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func reply(w http.ResponseWriter, status int, body string) {
	w.Header().Set("Content-Type", mediaType)
	w.WriteHeader(status)
	_, _ = io.WriteString(w, body)
}

func TestNewRefusesBadBases(t *testing.T) {
	t.Parallel()
	for _, base := range []string{"", "record/fhir", "ftp://record/fhir", "http://u:p@record/fhir", "http://record/fhir?x=1",
		"http://record/fhir#x", "://"} {
		if _, err := New(Config{BaseURL: base}); !errors.Is(err, fault.Invalid) {
			t.Errorf("New(%q) = %v, want fault.Invalid", base, err)
		} else if base != "" && strings.Contains(err.Error(), base) {
			t.Errorf("error repeats the URL: %v", err)
		}
	}
}

func TestReadGivesResourceAndETag(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ header, want string }{
		"header":   {`W/"7"`, `W/"7"`},
		"strong":   {`"7"`, `"7"`},
		"unquoted": {`7`, `W/"7"`},
		"missing":  {``, `W/"v9"`},
		"star":     {`*`, `W/"v9"`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := serve(t, func(w http.ResponseWriter, r *http.Request) {
				if r.URL.Path != "/fhir/Task/a" || r.Header.Get("Authorization") != "Bearer token-1" {
					reply(w, 500, "")
					return
				}
				if tc.header != "" {
					w.Header().Set("ETag", tc.header)
				}
				reply(w, 200, `{"resourceType":"Task","id":"a","meta":{"versionId":"v9","lastUpdated":"2026-03-01T10:00:00.5Z"}}`)
			})
			r, etag, err := c.Read(t.Context(), "Task", "a")
			if err != nil {
				t.Fatal(err)
			}
			if etag != tc.want || r.VersionID != "v9" || r.Ref() != "Task/a" || r.LastUpdated.IsZero() {
				t.Errorf("got %q %+v, want ETag %q", etag, r, tc.want)
			}
		})
	}
}

func TestReadRefusesOddIDs(t *testing.T) {
	t.Parallel()
	c := serve(t, func(http.ResponseWriter, *http.Request) { t.Error("a request was sent") })
	for _, id := range []string{"", ".", "..", "a/b", "a?b", "a b", strings.Repeat("x", 65)} {
		if _, _, err := c.Read(t.Context(), "Task", id); !errors.Is(err, fault.Invalid) {
			t.Errorf("Read(%q) = %v, want fault.Invalid", id, err)
		}
	}
	if _, _, err := c.Read(t.Context(), "../Task", "a"); !errors.Is(err, fault.Invalid) {
		t.Errorf("odd type: %v", err)
	}
}

func TestRefusalsSayWhatTheyAre(t *testing.T) {
	t.Parallel()
	outcome := `{"resourceType":"OperationOutcome","issue":[{"code":"conflict","diagnostics":"` + secretID + `"}]}`
	for status, want := range map[int][]error{
		400: {fault.Refused}, 401: {fault.Refused}, 403: {fault.Refused}, 404: {fault.Refused, fault.NotFound},
		410: {fault.Refused, fault.NotFound}, 412: {fault.Refused}, 422: {fault.Refused}, 501: {fault.Refused},
		302: {fault.Refused}, 408: {fault.Unavailable}, 409: {fault.Unavailable}, 429: {fault.Unavailable},
		500: {fault.Unavailable}, 503: {fault.Unavailable},
	} {
		c := serve(t, func(w http.ResponseWriter, _ *http.Request) { reply(w, status, outcome) })
		_, err := c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), "")
		refused, ok := errors.AsType[*Refused](err)
		if !ok || refused.Status != status || refused.Code != "conflict" {
			t.Errorf("%d: got %v", status, err)
			continue
		}
		for _, kind := range []error{fault.Refused, fault.NotFound, fault.Unavailable} {
			wanted := slices.Contains(want, kind)
			if errors.Is(err, kind) != wanted {
				t.Errorf("%d: Is(%v) = %v", status, kind, !wanted)
			}
		}
		if strings.Contains(err.Error(), secretID) || strings.Contains(err.Error(), "http") {
			t.Errorf("error says too much: %v", err)
		}
	}
}

func TestRetryAfterIsClamped(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for value, want := range map[string]time.Duration{
		"": 0, "soon": 0, "0": time.Second, "-5": time.Second, "120": 2 * time.Minute, "1.5": 1500 * time.Millisecond,
		"86400": 15 * time.Minute, "99999999999999999999": 15 * time.Minute, "1e300": 15 * time.Minute,
		fmt.Sprint(now.Unix() + 60):                        time.Minute,
		fmt.Sprint(now.UnixMilli() + 60_000):               time.Minute,
		fmt.Sprint(now.UnixMilli() - 60_000):               time.Second,
		fmt.Sprint(now.UnixMilli() + 3_600_000):            15 * time.Minute,
		fmt.Sprint(now.Unix() - 60):                        time.Second,
		now.Add(90 * time.Second).Format(http.TimeFormat):  90 * time.Second,
		now.Add(-90 * time.Second).Format(http.TimeFormat): time.Second,
		now.Add(9000 * time.Hour).Format(http.TimeFormat):  15 * time.Minute,
	} {
		if got := retryAfter(value, now); got != want {
			t.Errorf("retryAfter(%q) = %v, want %v", value, got, want)
		}
	}
}

func TestReadsAreRepeatedALittleAndWritesNever(t *testing.T) {
	t.Parallel()
	var reads, writes atomic.Int32
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet {
			if reads.Add(1) < 3 {
				reply(w, 503, "")
				return
			}
			reply(w, 200, `{"resourceType":"Task","id":"a"}`)
			return
		}
		writes.Add(1)
		reply(w, 503, "")
	})
	if _, _, err := c.Read(t.Context(), "Task", "a"); err != nil || reads.Load() != 3 {
		t.Errorf("read: %v after %d tries, want success at the third", err, reads.Load())
	}
	if _, err := c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), ""); !errors.Is(err, fault.Unavailable) {
		t.Errorf("create: %v", err)
	}
	if _, err := c.Update(t.Context(), []byte(`{"resourceType":"Task","id":"a"}`), `W/"1"`); !errors.Is(err, fault.Unavailable) {
		t.Errorf("update: %v", err)
	}
	if writes.Load() != 2 {
		t.Errorf("%d writes were sent, want 2", writes.Load())
	}
}

func TestALongRetryAfterIsHandedOn(t *testing.T) {
	t.Parallel()
	var tries atomic.Int32
	c := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		tries.Add(1)
		w.Header().Set("Retry-After", "600")
		reply(w, 429, "")
	})
	_, _, err := c.Read(t.Context(), "Task", "a")
	refused, ok := errors.AsType[*Refused](err)
	if !ok || refused.RetryAfter != 10*time.Minute || tries.Load() != 1 {
		t.Errorf("got %v after %d tries", err, tries.Load())
	}
}

// The library's own backoff would sleep for years on seconds since 1970.
func TestAnAbsurdRetryAfterDoesNotStopReads(t *testing.T) {
	t.Parallel()
	for _, value := range []string{"1595592359725", "1595592359", "-1", "0"} { // 2020, long ago
		var tries atomic.Int32
		c := serve(t, func(w http.ResponseWriter, _ *http.Request) {
			if tries.Add(1) == 1 {
				w.Header().Set("Retry-After", value)
				reply(w, 429, "Too many requests")
				return
			}
			reply(w, 200, `{"resourceType":"Task","id":"a","meta":{"versionId":"1"}}`)
		}, func(cfg *Config) { cfg.Timeout = 20 * time.Second })
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		if _, _, err := c.Read(ctx, "Task", "a"); err != nil || tries.Load() != 2 {
			t.Errorf("Retry-After %s: %v after %d tries", value, err, tries.Load())
		}
		cancel()
	}
}

func TestReadsThatBreakOffAreSentAgain(t *testing.T) {
	t.Parallel()
	for broken, good := range map[int32]bool{2: true, 3: false} {
		var tries atomic.Int32
		c := serve(t, func(w http.ResponseWriter, _ *http.Request) {
			body := `{"resourceType":"Task","id":"a","meta":{"versionId":"1"}}`
			if tries.Add(1) <= broken {
				w.Header().Set("Content-Length", "500")
				body = body[:20]
			}
			reply(w, 200, body)
		})
		_, _, err := c.Read(t.Context(), "Task", "a")
		if (err == nil) != good || err != nil && !errors.Is(err, fault.Unavailable) || tries.Load() != 3 {
			t.Errorf("%d broken answers: %v after %d tries", broken, err, tries.Load())
		}
	}
}

func TestUnknownOutcomes(t *testing.T) {
	t.Parallel()
	hijack := func(w http.ResponseWriter, text string) {
		conn, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			return
		}
		_, _ = io.WriteString(conn, text)
		_ = conn.Close()
	}
	for name, h := range map[string]http.HandlerFunc{
		"reset": func(w http.ResponseWriter, _ *http.Request) { hijack(w, "") },
		"cut body": func(w http.ResponseWriter, _ *http.Request) {
			hijack(w, "HTTP/1.1 201 Created\r\nContent-Length: 500\r\n\r\n{\"resourceType\":")
		},
		"bad JSON":       func(w http.ResponseWriter, _ *http.Request) { reply(w, 201, `{"resourceType":"Task",`) },
		"other type":     func(w http.ResponseWriter, _ *http.Request) { reply(w, 201, `{"resourceType":"Patient","id":"x"}`) },
		"no id anywhere": func(w http.ResponseWriter, _ *http.Request) { reply(w, 201, ``) },
		"accepted":       func(w http.ResponseWriter, _ *http.Request) { reply(w, 202, ``) },
		"garbage":        func(w http.ResponseWriter, _ *http.Request) { hijack(w, "hello "+secretID+"\r\n\r\n") },
		"too long": func(w http.ResponseWriter, _ *http.Request) {
			reply(w, 201, `{"resourceType":"Task","id":"a","description":"`+strings.Repeat("x", 5000)+`"}`)
		},
		"timeout": func(_ http.ResponseWriter, r *http.Request) {
			_, _ = io.Copy(io.Discard, r.Body)
			select {
			case <-r.Context().Done():
			case <-time.After(5 * time.Second):
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var sent atomic.Int32
			c := serve(t, func(w http.ResponseWriter, r *http.Request) { sent.Add(1); h(w, r) }, func(cfg *Config) {
				cfg.MaxBody = 4000
				cfg.Timeout = 300 * time.Millisecond
			})
			_, err := c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), "identifier=a|b")
			if !errors.Is(err, ErrUnknownOutcome) || !errors.Is(err, fault.Unavailable) {
				t.Errorf("got %v, want ErrUnknownOutcome", err)
			}
			if sent.Load() != 1 {
				t.Errorf("sent %d times", sent.Load())
			}
			if err != nil && (strings.Contains(err.Error(), secretID) || strings.Contains(err.Error(), "127.0.0.1")) {
				t.Errorf("error says too much: %v", err)
			}
		})
	}
}

func TestAWriteThatWasNeverSentIsNotUnknown(t *testing.T) {
	t.Parallel()
	s := httptest.NewServer(http.NotFoundHandler())
	base := s.URL
	s.Close()
	c, err := New(Config{BaseURL: base, Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), "")
	if errors.Is(err, ErrUnknownOutcome) || !errors.Is(err, fault.Unavailable) {
		t.Errorf("got %v, want unavailable and known", err)
	}
	if strings.Contains(err.Error(), "127.0.0.1") {
		t.Errorf("error names the address: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err = c.Create(ctx, []byte(`{"resourceType":"Task"}`), ""); !errors.Is(err, context.Canceled) || errors.Is(err, ErrUnknownOutcome) {
		t.Errorf("cancelled before: %v", err)
	}
}

func TestCreateReadsWhateverTellsTheID(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		status                   int
		body, location, etag     string
		wantID, wantV, wantETag  string
		existing, withoutContent bool
	}{
		"body":          {201, `{"resourceType":"Task","id":"a","meta":{"versionId":"3"}}`, "", "", "a", "3", `W/"3"`, false, false},
		"location only": {201, "", "/fhir/Task/a/_history/3", "", "a", "3", `W/"3"`, false, true},
		"absolute":      {201, "", "https://elsewhere/x/Task/a/_history/3", `W/"3"`, "a", "3", `W/"3"`, false, true},
		"no version":    {201, "", "Task/a", "", "a", "", "", false, true},
		"outcome":       {200, `{"resourceType":"OperationOutcome"}`, "Task/a", `W/"x"`, "a", "x", `W/"x"`, true, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := serve(t, func(w http.ResponseWriter, r *http.Request) {
				if r.Header.Get("If-None-Exist") != "identifier=s|v" {
					reply(w, 500, "")
					return
				}
				if tc.location != "" {
					w.Header().Set("Location", tc.location)
				}
				if tc.etag != "" {
					w.Header().Set("ETag", tc.etag)
				}
				reply(w, tc.status, tc.body)
			})
			got, err := c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), "identifier=s|v")
			if err != nil {
				t.Fatal(err)
			}
			want := Written{Existing: tc.existing, Type: "Task", ID: tc.wantID, VersionID: tc.wantV, ETag: tc.wantETag}
			if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(Written{}, "Resource")); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
			if (got.Resource == nil) != tc.withoutContent {
				t.Errorf("Resource = %s", got.Resource)
			}
		})
	}
}

func TestUpdateAlwaysNamesItsVersion(t *testing.T) {
	t.Parallel()
	var match atomic.Value
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		match.Store(r.Method + " " + r.URL.Path + " " + r.Header.Get("If-Match"))
		w.Header().Set("ETag", `W/"2"`)
		reply(w, 200, "")
	})
	if _, err := c.Update(t.Context(), []byte(`{"resourceType":"Task","id":"a"}`), ""); !errors.Is(err, ErrNoVersion) {
		t.Errorf("without a version: %v", err)
	}
	if match.Load() != nil {
		t.Fatal("a blind update was sent")
	}
	w, err := c.Update(t.Context(), []byte(`{"resourceType":"Task","id":"a"}`), `W/"1"`)
	if err != nil || w.ID != "a" || w.VersionID != "2" || match.Load() != `PUT /fhir/Task/a W/"1"` {
		t.Errorf("got %+v, %v, sent %v", w, err, match.Load())
	}
}

func TestTokenIsRenewedOnce(t *testing.T) {
	t.Parallel()
	var renewals, sent atomic.Int32
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		sent.Add(1)
		if r.Header.Get("Authorization") != "Bearer token-2" {
			reply(w, 401, "")
			return
		}
		w.Header().Set("Location", "Task/a")
		reply(w, 201, "")
	}, func(cfg *Config) {
		cfg.Renew = func(context.Context) (string, error) { return fmt.Sprintf("token-%d", renewals.Add(1)+1), nil }
	})
	for range 2 {
		if _, err := c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), ""); err != nil {
			t.Fatal(err)
		}
	}
	if renewals.Load() != 1 || sent.Load() != 3 {
		t.Errorf("%d renewals, %d requests; want 1 and 3", renewals.Load(), sent.Load())
	}
	lost := serve(t, func(w http.ResponseWriter, _ *http.Request) { reply(w, 401, "") }, func(cfg *Config) {
		cfg.Renew = func(context.Context) (string, error) { return "token-9", nil }
	})
	_, err := lost.Create(t.Context(), []byte(`{"resourceType":"Task"}`), "")
	if refused, ok := errors.AsType[*Refused](err); !ok || refused.Status != 401 {
		t.Errorf("got %v", err)
	}
}

func TestNothingGoesToAnotherOrigin(t *testing.T) {
	t.Parallel()
	var strays atomic.Int32
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { strays.Add(1) }))
	t.Cleanup(other.Close)
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path == "/fhir/Task/moved":
			http.Redirect(w, r, "/fhir/Task/a", http.StatusFound)
		case r.URL.Path == "/fhir/Task/a":
			reply(w, 200, `{"resourceType":"Task","id":"moved"}`)
		case strings.HasSuffix(r.URL.Path, "/_search"):
			reply(w, 200, `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"next","url":"`+other.URL+`/fhir?x"}]}`)
		default:
			http.Redirect(w, r, other.URL+"/fhir/Task/x", http.StatusTemporaryRedirect)
		}
	})
	if _, _, err := c.Read(t.Context(), "Task", "moved"); err != nil {
		t.Errorf("a redirect inside the origin: %v", err)
	}
	if _, _, err := c.Read(t.Context(), "Task", "x"); !errors.Is(err, fault.Refused) {
		t.Errorf("read: %v", err)
	}
	if _, err := c.Create(t.Context(), []byte(`{"resourceType":"Task"}`), ""); !errors.Is(err, fault.Refused) {
		t.Errorf("create: %v", err)
	}
	if _, err := c.Search(t.Context(), "Task", url.Values{}, 0); !errors.Is(err, ErrIncomplete) {
		t.Errorf("search: %v", err)
	}
	if strays.Load() != 0 {
		t.Errorf("%d requests went to another origin", strays.Load())
	}
}
