package api

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"dwellwatch/api/worklist"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"

	"github.com/google/go-cmp/cmp"
)

// pages gives the pages over a quarantine of their own and no database: enough for the table of routes and for who may use them.
func pages(t *testing.T) *worklist.Pages {
	t.Helper()
	now := func() time.Time { return time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC) }
	p, err := worklist.New(worklist.Config{Desk: desk.Desk{Config: desk.Config{Store: &postgres.Store{}, Basis: assess.Basis{Zone: time.UTC}, Now: now}}, Quarantine: noQuarantine{},
		Feeds: func(context.Context, time.Time) ([]postgres.FeedState, []postgres.GapCount, error) {
			return nil, nil, nil
		},
		Gauges: func(context.Context) (postgres.Gauges, error) { return postgres.Gauges{}, nil }, FeedNames: []string{"ward"}, Now: now, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

type noQuarantine struct{}

func (noQuarantine) QuarantineList(context.Context, string, int64, int) ([]postgres.Held, error) {
	return nil, nil
}

func (noQuarantine) QuarantineShow(context.Context, int64) (postgres.Held, error) {
	return postgres.Held{}, fault.NotFound
}
func (noQuarantine) QuarantineDiscard(context.Context, int64) error { return fault.NotFound }

// TestPagesAreForPeople: a page is for who has signed in with a role of it; it may not be kept by a cache and runs no script.
func TestPagesAreForPeople(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.People, c.Pages = people(t, newShelf(), true), pages(t) })
	key := strings.Repeat("a", 32)
	if w := r.send("GET", "/worklist/filters/"+key, ""); w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/signin?to=") {
		t.Errorf("without a sign-in: %d %s", w.Code, w.Header().Get("Location"))
	}
	for _, c := range []struct {
		role   auth.Role
		method string
		path   string
		want   int
	}{
		{auth.Engineer, "GET", "/worklist", 303}, {auth.Engineer, "GET", "/engineer", 200}, {auth.Engineer, "GET", "/engineer/quarantine", 200}, {auth.Engineer, "GET", "/engineer/quarantine/7", 404},
		{auth.Engineer, "POST", "/engineer/quarantine/7/discard", 303}, {auth.Engineer, "GET", "/worklist/filters/" + key, 403}, {auth.Engineer, "POST", "/worklist/search", 403},
		{auth.Viewer, "GET", "/engineer", 403}, {auth.Viewer, "GET", "/worklist/assets/style.css", 200}, {auth.Viewer, "GET", "/worklist/assets/other.css", 404},
		{auth.Viewer, "POST", "/worklist/filters/" + key + "/contact", 403}, {auth.Coordinator, "POST", "/worklist/filters/" + key + "/approve", 403},
		{auth.Clinician, "POST", "/engineer/quarantine/7/replay", 403},
	} {
		w := r.send(c.method, c.path, "", r.signedIn("Ada", c.role), "Content-Type: application/x-www-form-urlencoded")
		if w.Code != c.want {
			t.Errorf("%s %s as %s: %d, want %d", c.method, c.path, c.role, w.Code, c.want)
		}
		policy := w.Header().Get("Content-Security-Policy")
		if strings.Contains(policy, "unsafe") || !strings.Contains(policy, "default-src 'none'") || !strings.Contains(policy, "frame-ancestors 'none'") {
			t.Errorf("%s %s: Content-Security-Policy %q", c.method, c.path, policy)
		}
		if !strings.HasSuffix(c.path, ".css") && w.Header().Get("Cache-Control") != "no-store" {
			t.Errorf("%s %s: Cache-Control %q", c.method, c.path, w.Header().Get("Cache-Control"))
		}
	}
}

// TestASearchIsNoChange: the audit trail calls a search a view, although it is sent, and a form a change.
func TestASearchIsNoChange(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.People, c.Pages = people(t, newShelf(), true), pages(t) })
	form := "Content-Type: application/x-www-form-urlencoded"
	engineer := r.signedIn("Ada", auth.Engineer) // to whom neither is open
	r.send("POST", "/worklist/search", "words=x", engineer, form)
	r.send("POST", "/worklist/filters/"+strings.Repeat("a", 32)+"/approve", "", engineer, form)
	var got []string
	for _, row := range r.audit {
		got = append(got, row.Action+" "+row.Route+" "+row.Outcome)
	}
	if diff := cmp.Diff([]string{"view /worklist/search 403", "change /worklist/filters/:filter/approve 403"}, got); diff != "" {
		t.Errorf("audit (-want +got):\n%s", diff)
	}
}

// TestOtherMethodsOnPages: whoever has signed in is told that a page does not answer a method, and which it does, or that there is no
// such page; strangers are told neither, and a token is looked at as ever.
func TestOtherMethodsOnPages(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.Token = "s3cret"; c.People, c.Pages = people(t, newShelf(), true), pages(t) })
	viewer := r.signedIn("Ada", auth.Viewer)
	key := strings.Repeat("a", 32)
	for _, c := range []struct {
		method, path, header string
		status               int
		allow                string
	}{
		{"HEAD", "/worklist", viewer, 405, "GET"}, {"HEAD", "/worklist/filters/" + key, viewer, 405, "GET"}, {"PUT", "/worklist/filters/" + key + "/contact", viewer, 405, "POST"},
		{"DELETE", "/worklist/search", viewer, 405, "POST"}, {"GET", "/worklist/nowhere", viewer, 404, ""},
		{"HEAD", "/worklist", "X: y", 401, ""}, {"GET", "/worklist/nowhere", "X: y", 401, ""}, {"HEAD", "/worklist", "Cookie: dwellwatch=none", 401, ""},
		{"HEAD", "/worklist", "Authorization: Bearer wrong", 401, ""}, {"HEAD", "/worklist", "Authorization: Bearer s3cret", 405, "GET"},
	} {
		w := r.ask(c.method, c.path, c.header)
		if allow := w.Header().Get("Allow"); w.Code != c.status || allow != c.allow {
			t.Errorf("%s %s with %.13s: %d, Allow %q, want %d, %q", c.method, c.path, c.header, w.Code, allow, c.status, c.allow)
		}
	}
}

// TestAPageSaysWhatTextCannotBeKept: a zero byte in a form is answered with a page that says so.
func TestAPageSaysWhatTextCannotBeKept(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.People, c.Pages = people(t, newShelf(), true), pages(t) })
	w := r.send("POST", "/worklist/filters/"+strings.Repeat("a", 32)+"/contact", "why=a%00b", r.signedIn("Ada", auth.Clinician), "Content-Type: application/x-www-form-urlencoded")
	if w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "characters that cannot be kept") || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Errorf("%d %s %s", w.Code, w.Header().Get("Content-Type"), w.Body)
	}
}
