package api

import (
	"net/http"

	"github.com/gin-gonic/gin"
)

// route is one line of the route table.
type route struct {
	method, path string
	handle       gin.HandlerFunc
}

// routes is everything the service answers. openapi.yaml says the same; a test compares them.
func (s *server) routes() []route {
	table := []route{
		{http.MethodPost, "/assess", s.assess},
		{http.MethodGet, "/quarantine", s.listHeld},
		{http.MethodGet, "/quarantine/:id", s.showHeld},
		{http.MethodDelete, "/quarantine/:id", s.discardHeld},
		{http.MethodPost, "/quarantine/:id/replay", s.replayHeld},
		{http.MethodGet, "/healthz", s.healthz},
		{http.MethodGet, "/readyz", s.readyz},
		{http.MethodGet, "/metrics", s.metrics()},
		{http.MethodGet, "/openapi.yaml", s.openAPI},
	}
	// The feed "default" has its doors below /fhir too.
	for _, base := range []string{"/fhir", "/feeds/:feed/fhir"} {
		table = append(table,
			route{http.MethodPost, base, s.door(s.deliverToBase)},
			route{http.MethodGet, base + "/metadata", s.metadata},
			route{http.MethodPost, base + "/:type", s.door(s.deliverToType)},
			route{http.MethodPut, base + "/:type", s.door(s.deliverToType)},
			route{http.MethodDelete, base + "/:type", s.door(s.deleteResource)},
			route{http.MethodPost, base + "/:type/:id", s.door(s.deliverToType)},
			route{http.MethodPut, base + "/:type/:id", s.door(s.deliverToType)},
			route{http.MethodDelete, base + "/:type/:id", s.door(s.deleteResource)},
		)
	}
	return table
}

// open reports whether a route is answered without a token: a supervisor has none.
func open(pattern string) bool { return pattern == "/healthz" || pattern == "/readyz" }
