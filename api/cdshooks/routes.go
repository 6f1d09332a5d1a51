package cdshooks

import (
	"net/http"
	"slices"

	"dwellwatch/api/route"
	"dwellwatch/internal/auth"

	"github.com/gin-gonic/gin"
)

// Routes is everything the service answers. A browser asks before it calls (preflight), and shows no token then.
func (s *Service) Routes() []route.Route {
	table := []route.Route{
		{Method: http.MethodGet, Path: "/cds-services", Handle: s.discover},
		{Method: http.MethodPost, Path: "/cds-services/:id", Handle: s.call},
		{Method: http.MethodPost, Path: "/cds-services/:id/feedback", Handle: s.feedback},
	}
	for i, r := range table {
		table[i].Access, table[i].Before = auth.ForCDS(), s.cors
		table = append(table, route.Route{Method: http.MethodOptions, Path: r.Path, Access: auth.Open(), Before: s.cors, Handle: preflight})
	}
	return table
}

// cors tells a browser which page may read the answer (https://fetch.spec.whatwg.org/#http-cors-protocol): one whose origin is
// listed, and no other. No cookie is ever asked for, so none is allowed.
func (s *Service) cors(c *gin.Context) {
	c.Writer.Header().Add("Vary", "Origin")
	origin := c.GetHeader("Origin")
	if origin == "" || !slices.Contains(s.Origins, origin) {
		return
	}
	c.Header("Access-Control-Allow-Origin", origin)
	if c.Request.Method == http.MethodOptions {
		c.Header("Access-Control-Allow-Methods", "GET, POST")
		c.Header("Access-Control-Allow-Headers", "Authorization, Content-Type")
		c.Header("Access-Control-Max-Age", "600")
	}
}

func preflight(c *gin.Context) { c.Status(http.StatusNoContent) }
