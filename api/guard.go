package api

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"dwellwatch/api/route"
	"dwellwatch/api/signin"
	"dwellwatch/fhir"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
)

// grantKey is where a machine's grant stands in gin's context.
const grantKey = "dwellwatch.grant"

// bare reports whether nobody needs credentials: then only this machine's own names are answered, and no page of another site. The
// demonstration's sign-in asks for none.
func (s *server) bare() bool {
	return !s.Beyond && !s.machines.Set() && s.Clients == nil && (s.People == nil || s.People.Local)
}

// guard lets a request in by the access of its route. A path that is no route, or a method that it does not answer, is guarded like
// one for machines, so that strangers learn nothing of which paths there are; people who have signed in are told.
func (s *server) guard(c *gin.Context) {
	r, matched := s.table[c.Request.Method+" "+c.FullPath()]
	if !matched {
		allow := c.Writer.Header().Get("Allow") // what the engine has found out already
		c.Writer.Header().Del("Allow")
		defer func() {
			if !c.IsAborted() && allow != "" {
				c.Header("Allow", allow)
			}
		}()
		r = route.Route{Access: auth.ForMachines("")}
		if s.signedIn(c) {
			r.Access = auth.ForPeople()
		}
	}
	if r.Before != nil {
		r.Before(c)
	}
	if s.bare() && !s.local(c, r.Access.Kind) {
		return
	}
	who := ""
	switch r.Access.Kind {
	case auth.Anybody:
		return
	case auth.Machine:
		who = s.machine(c, r.Access)
	case auth.CDS:
		who = s.client(c)
	case auth.People:
		who = s.person(c, r.Access)
	default:
		s.refuse(c, refusal(http.StatusForbidden, "forbidden", "", "nobody may use this route"))
	}
	if !c.IsAborted() && !s.rate.allow(who, s.Now()) {
		s.refuse(c, refusal(http.StatusTooManyRequests, "throttled", "", "too many requests at once; send it again later"))
	}
}

// signedIn reports whether a request without a token comes from somebody who has signed in.
func (s *server) signedIn(c *gin.Context) bool {
	if s.People == nil || c.GetHeader("Authorization") != "" {
		return false
	}
	_, err := s.People.Person(c.Request)
	return err == nil
}

// local refuses what does not come from this machine, by the names that it has for itself. Browsers' CDS clients may be pages of
// the origins that are configured.
func (s *server) local(c *gin.Context, kind auth.Kind) bool {
	if !auth.LocalHost(c.Request.Host) {
		s.refuse(c, refusal(http.StatusForbidden, "forbidden", "", "without a token this service answers only to localhost, 127.0.0.1 and [::1]"))
		return false
	}
	protection := s.crossOrigin
	if kind == auth.CDS {
		protection = s.cdsOrigin
	}
	if protection.Check(c.Request) != nil {
		s.refuse(c, refusal(http.StatusForbidden, "forbidden", "", "pages of other sites may not send requests here"))
		return false
	}
	return true
}

// machine checks a caller that is no person, and gives its name.
func (s *server) machine(c *gin.Context, a auth.Access) string {
	if s.bare() {
		who := s.Caller
		if who == "" {
			who = "loopback"
		}
		c.Set(grantKey, auth.All(who))
		return who
	}
	g, err := s.machines.Check(c.Request.Context(), c.GetHeader("Authorization"))
	if err != nil {
		s.refuse(c, stranger(err))
		return ""
	}
	feed := feedOf(c)
	if !g.MayUse(a.Scope, feed) || a.Scope == auth.ScopeDeliver && !g.MayDeliver(c.Param("type"), verbs(c)) {
		p := refusal(http.StatusForbidden, "forbidden", "", "these credentials do not open this route, or not for what is sent")
		p.challenge = `Bearer realm="dwellwatch", error="insufficient_scope"`
		s.refuse(c, p)
		return ""
	}
	c.Set(grantKey, g)
	return g.Who
}

// stranger says that credentials are no good. Why, it says only of a token that was good once.
func stranger(err error) error {
	p := refusal(http.StatusUnauthorized, "login", "", "send Authorization: Bearer with a token that this service knows")
	p.challenge = `Bearer realm="dwellwatch", error="invalid_token"`
	switch {
	case errors.Is(err, auth.ErrNoToken):
		p.challenge = `Bearer realm="dwellwatch"`
	case errors.Is(err, auth.ErrExpired):
		p.issues[0].Code, p.issues[0].Text = "expired", "the token has expired"
	case !errors.Is(err, auth.ErrToken):
		return err
	}
	return p
}

// feedOf names the feed of a door; "" where the route is no door.
func feedOf(c *gin.Context) string {
	switch at := c.FullPath(); {
	case strings.HasPrefix(at, "/feeds/:feed/"):
		return c.Param("feed")
	case at == "/fhir" || strings.HasPrefix(at, "/fhir/"):
		return DefaultFeed
	}
	return ""
}

// verbs gives the letters of which a scope must have one for a request at a door. At the base a rest-hook posts what was created and
// what was changed alike, and a Bundle may hold both.
func verbs(c *gin.Context) string {
	switch {
	case c.Request.Method == http.MethodDelete:
		return "d"
	case c.Param("type") == "":
		return "cud"
	case c.Request.Method == http.MethodPut:
		return "u"
	}
	return "c"
}

// client checks a CDS client, puts it into the context, and gives its name.
func (s *server) client(c *gin.Context) string {
	header := c.GetHeader("Authorization")
	var client auth.Client
	switch {
	case s.bare():
		client.Issuer = "loopback"
	case s.machines.Secret(header):
		client.Issuer = "token"
	case s.Clients == nil:
		s.refuse(c, stranger(auth.ErrToken))
		return ""
	default:
		var err error
		if client, err = s.Clients.Check(c.Request.Context(), c.Request.URL.Path, header); err != nil {
			if errors.Is(err, auth.ErrExpired) {
				err = auth.ErrToken // a CDS client is told nothing
			}
			s.refuse(c, stranger(err))
			return ""
		}
	}
	c.Request = c.Request.WithContext(auth.WithClient(c.Request.Context(), client))
	return clientName(client)
}

func clientName(client auth.Client) string {
	if client.Tenant == "" {
		return "cds " + client.Issuer
	}
	return "cds " + client.Issuer + " tenant " + client.Tenant
}

// person checks a person, puts them into the context, and gives their name for the limit.
func (s *server) person(c *gin.Context, a auth.Access) string {
	signin.Headers(c.Writer.Header())
	if s.People == nil {
		signin.Refuse(c, http.StatusForbidden, "No sign-in is set up", "The pages need people to sign in; the README of dwellwatch says how to set that up.")
		return ""
	}
	p, err := s.People.Person(c.Request)
	switch {
	case errors.Is(err, fault.NotFound):
		s.People.Turn(c)
		return ""
	case err != nil:
		c.Header("Retry-After", retryAfter)
		signin.Refuse(c, problemOf(err).status, "Not now", "The service cannot look up who you are. Try again in a minute.")
		return ""
	case s.People.Check(c.Request) != nil:
		signin.Refuse(c, http.StatusForbidden, "Not from here", "Pages of other sites may not send requests here.")
		return ""
	}
	c.Request = c.Request.WithContext(auth.WithPerson(c.Request.Context(), p))
	if len(p.Roles) == 0 || len(a.Roles) > 0 && !p.May(a.Roles...) {
		signin.Refuse(c, http.StatusForbidden, "Not for your role", "Your role does not open this page. Nothing was changed.")
	}
	return "person " + p.Subject
}

// auditCallers writes a row for each request of a person or a CDS client, whatever came of it; handlers need not think of it. Who
// is not known leaves no row: the access log has the status.
func (s *server) auditCallers(c *gin.Context) {
	c.Next()
	r := s.table[c.Request.Method+" "+c.FullPath()]
	row := AuditRow{At: s.Now(), Action: "view", Route: pattern(c), Outcome: strconv.Itoa(c.Writer.Status())}
	if !r.Reads && c.Request.Method != http.MethodGet && c.Request.Method != http.MethodHead {
		row.Action = "change"
	}
	if key := c.Param(r.Filter); r.Filter != "" && fhir.ValidID(key) {
		row.Filter = key
	}
	person, isPerson := auth.PersonOf(c.Request.Context())
	client, isClient := auth.ClientOf(c.Request.Context())
	switch {
	case isPerson:
		row.Caller, row.Role = "person "+person.Subject, rolesOf(person)
	case isClient:
		row.Caller, row.Action = clientName(client), "cds"
	default:
		return
	}
	s.write(c, row)
}

func rolesOf(p auth.Person) string {
	roles := make([]string, len(p.Roles))
	for i, r := range p.Roles {
		roles[i] = string(r)
	}
	return strings.Join(roles, ",")
}
