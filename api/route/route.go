// Package route holds the shape of one line of the service's route table, so that packages which answer routes and the
// engine that guards them need not know each other. It must never hold a route.
package route

import (
	"dwellwatch/internal/auth"

	"github.com/gin-gonic/gin"
)

// Route is one line of the route table. Path is gin's pattern, e.g. "/cds-services/:id".
type Route struct {
	Method, Path string
	// Access is applied before Handle, which finds an auth.Person or an auth.Client in the request's context.
	Access auth.Access
	Handle gin.HandlerFunc
	// Before runs before the caller is known, also for those who are then refused: it may set headers (CORS) and nothing else.
	// nil for none.
	Before gin.HandlerFunc
	// Filter is the name of the path parameter that holds the opaque key of a filter, for the audit trail of people's routes;
	// "" where the route is about none or about several.
	Filter string
	// Reads says that the route changes nothing although its method is not GET: the audit trail calls it a view.
	Reads bool
}
