package api

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"dwellwatch/internal/auth"
)

// TestNoRouteFailsOnBytesThatAreNoText: on every route a zero byte, or bytes that are not UTF-8, in the path, the query or a form are the
// caller's fault and are told so.
func TestNoRouteFailsOnBytesThatAreNoText(t *testing.T) {
	t.Parallel()
	r := setup(t, func(c *Config) { c.People, c.Pages = people(t, newShelf(), true), pages(t) })
	table, err := Table(r.config())
	if err != nil {
		t.Fatal(err)
	}
	cookies := map[auth.Kind][]string{}
	for _, role := range []auth.Role{auth.Clinician, auth.Engineer} {
		cookies[auth.People] = append(cookies[auth.People], r.signedIn("Ada", role))
	}
	sent := 0
	for _, route := range table {
		if route.Method == http.MethodOptions {
			continue
		}
		for _, bad := range []string{"%00", "%ff", "a%00b", "%c3%28"} {
			path := route.Path
			for _, part := range strings.Split(route.Path, "/") {
				if strings.HasPrefix(part, ":") {
					path = strings.Replace(path, part, bad, 1)
				}
			}
			for _, cookie := range append([]string{"X: y"}, cookies[route.Access.Kind]...) {
				for _, c := range []struct{ url, body string }{{path, ""}, {path + "?done=" + bad + "&verdict=" + bad, ""}, {path, "token=" + bad + "&why=" + bad + "&words=" + bad + "&name=" + bad}} {
					if c.url == route.Path && (c.body == "" || route.Method != http.MethodPost) {
						continue // nothing of it is bad
					}
					req := httptest.NewRequest(route.Method, c.url, strings.NewReader(c.body))
					req.Host = "localhost:8080"
					if c.body != "" {
						req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
					}
					name, value, _ := strings.Cut(cookie, ": ")
					req.Header.Set(name, value)
					w := httptest.NewRecorder()
					r.handler.ServeHTTP(w, req)
					sent++
					if w.Code >= http.StatusInternalServerError && route.Path != "/readyz" {
						t.Errorf("%s %s with %q as %s: %d", route.Method, c.url, c.body, name, w.Code)
					}
					if route.Access.Kind == auth.People && name == "Cookie" && w.Code < 400 {
						t.Errorf("%s %s with %q: %d", route.Method, c.url, c.body, w.Code)
					}
				}
			}
		}
	}
	if sent < 200 {
		t.Errorf("%d requests only", sent)
	}
}
