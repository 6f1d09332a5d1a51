package api

import (
	"net/http"
	"slices"

	"dwellwatch/api/route"
	"dwellwatch/internal/auth"

	"github.com/gin-gonic/gin"
)

// routes is everything the service answers. openapi.yaml says the same; a test compares them.
func (s *server) routes() []route.Route {
	line := func(method, path string, a auth.Access, handle gin.HandlerFunc) route.Route {
		return route.Route{Method: method, Path: path, Access: a, Handle: handle}
	}
	held, known := auth.ForMachines(auth.ScopeQuarantine), auth.ForMachines("")
	table := []route.Route{
		line(http.MethodPost, "/assess", auth.ForMachines(auth.ScopeAssess), s.assess),
		line(http.MethodGet, "/quarantine", held, s.listHeld),
		line(http.MethodGet, "/quarantine/:id", held, s.showHeld),
		line(http.MethodDelete, "/quarantine/:id", held, s.discardHeld),
		line(http.MethodPost, "/quarantine/:id/replay", held, s.replayHeld),
		line(http.MethodGet, "/healthz", auth.Open(), s.healthz), // a supervisor has no credentials
		line(http.MethodGet, "/readyz", auth.Open(), s.readyz),
		line(http.MethodGet, "/metrics", auth.ForMachines(auth.ScopeMetrics), s.metrics()),
		line(http.MethodGet, "/openapi.yaml", known, s.openAPI),
		line(http.MethodGet, "/.well-known/jwks.json", auth.Open(), s.jwks),
	}
	// The feed "default" has its doors below /fhir too.
	deliver := auth.ForMachines(auth.ScopeDeliver)
	for _, base := range []string{"/fhir", "/feeds/:feed/fhir"} {
		table = append(table,
			line(http.MethodPost, base, deliver, s.door(s.deliverToBase)),
			line(http.MethodGet, base+"/metadata", known, s.metadata),
			line(http.MethodPost, base+"/:type", deliver, s.door(s.deliverToType)),
			line(http.MethodPut, base+"/:type", deliver, s.door(s.deliverToType)),
			line(http.MethodDelete, base+"/:type", deliver, s.door(s.deleteResource)),
			line(http.MethodPost, base+"/:type/:id", deliver, s.door(s.deliverToType)),
			line(http.MethodPut, base+"/:type/:id", deliver, s.door(s.deliverToType)),
			line(http.MethodDelete, base+"/:type/:id", deliver, s.door(s.deleteResource)),
		)
	}
	if s.People != nil {
		table = append(table, s.People.Routes()...)
	}
	if s.Pages != nil {
		table = append(table, s.Pages.Routes(s.replayFor)...)
	}
	return slices.Concat(table, s.Extra)
}

// Table gives the routes that the handler of a configuration answers.
func Table(c Config) ([]route.Route, error) {
	s, err := newServer(c)
	if err != nil {
		return nil, err
	}
	return s.routes(), nil
}

// jwks gives the public keys by which the record knows this service (SMART Backend Services). A key stands here before it is used
// and for as long after.
func (s *server) jwks(c *gin.Context) {
	c.Header("Cache-Control", "public, max-age=900")
	body := s.JWKS
	if len(body) == 0 {
		body = []byte(`{"keys":[]}`)
	}
	c.Data(http.StatusOK, "application/json", body)
}
