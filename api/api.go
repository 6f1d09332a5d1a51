// Package api is the HTTP side of the service: the doors through which feeds deliver FHIR R4 resources, the assessment of
// a document that is not kept, and the routes an operator needs. The doors listen, they are no FHIR server: nothing can be
// read or searched through them.
//
// It must never reach the database or the queue except through the functions of its Config, and must never write a URL,
// an id or anything else of a patient into a log, a metric or an error text.
package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"dwellwatch/api/route"
	"dwellwatch/api/signin"
	"dwellwatch/api/worklist"
	"dwellwatch/fhir"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
)

// DefaultFeed is the feed of the doors below /fhir.
const DefaultFeed = "default"

// localFeed is the feed of what people enter at the worklist.
const localFeed = "local"

// DefaultBodyLimit is how many bytes a body may have, unpacked, where Config gives no other limit.
const DefaultBodyLimit = 10 << 20

// AuditRow is one line of the audit trail. It names no patient and no resource.
type AuditRow struct {
	At      time.Time
	Caller  string // "feed <name>" for a delivery, with " by <client>" where an access token names one; "person <subject>"; "cds <issuer>"; "token", "loopback" or Config.Caller otherwise
	Action  string // deliver | assess | quarantine show | quarantine show body | quarantine replay | quarantine discard; view | change | sign in | sign out of people; cds
	Route   string // the pattern, e.g. "/feeds/:feed/fhir/:type/:id"
	Outcome string // the HTTP status
	Number  int64  // how many resources were handed on; for the quarantine the entry's number
	Role    string // the roles of a person, with commas between
	Filter  string // the opaque key of the filter that a person's page was about
}

// Config is what the API needs of the rest of the program. Every function must be set.
type Config struct {
	// Accept stores items in one transaction and gives an outcome for each, in order.
	Accept func(ctx context.Context, items []screen.Item) ([]screen.Outcome, error)
	// Screen looks at one resource of a feed. It must fill Item.Resource with what it is given.
	Screen func(feed string, r fhir.Resource) screen.Item
	// Mentions says whether the bytes of a feed hold any of the words or codes of the screen, or name a followed patient,
	// whatever shape they are in.
	Mentions func(ctx context.Context, feed string, body []byte) bool
	// AcceptHeld is Accept for items that came at received, lay in the quarantine, and are taken only now.
	AcceptHeld func(ctx context.Context, items []screen.Item, received time.Time) ([]screen.Outcome, error)
	// Clashes says of each of the items of a call which must not be handed to Accept, because its temporary name is that of somebody
	// else's entry.
	Clashes func(ctx context.Context, items []screen.Item) ([]screen.Clash, error)
	// Quarantine notes a payload that could not be read. Neither its bytes nor how they came may be stored unless Keep is true.
	Quarantine func(ctx context.Context, r Refused) error
	// Held reaches what Quarantine noted.
	Held Holder
	// Audit writes one row after each delivery, each assessment, and whatever is done with an entry of the quarantine.
	Audit func(ctx context.Context, row AuditRow) error
	// Ready gives an error while the service cannot take deliveries.
	Ready func(ctx context.Context) error
	// Assess gives one JSON assessment for each patient of the resources. Nothing is stored.
	Assess func(resources []fhir.Resource, on filter.Day) ([][]byte, error)

	Now  func() time.Time
	Zone *time.Location // the zone of the hospital: what day is today
	Log  *slog.Logger

	// Feeds names the feeds and gives the FHIR base URL of each sender ("" where it is not known). The feed "default"
	// exists in any case.
	Feeds map[string]string
	// PublicURL is how senders reach this service, without a slash at its end. Where it is "", Location is a path.
	PublicURL string
	// Token is the secret that opens everything but the pages of people. Where nobody needs credentials, only requests to this
	// machine's own names are answered.
	Token string
	// Machines says which other machines may call; its Secret, Now and Audiences are filled in from Token, Now and PublicURL where
	// they are not given.
	Machines auth.MachineConfig
	// Clients are the CDS clients; nil for none.
	Clients *auth.Clients
	// CDSOrigins are the origins of browsers' CDS clients, which may call without credentials where nobody needs any.
	CDSOrigins []string
	// People knows who has signed in; nil where nobody can.
	People *signin.SignIn
	// Beyond says that other machines can reach the service, so that nothing is answered without credentials.
	Beyond bool
	// Rate is how many requests a second one caller may send, with twice as many at once; 0 for no limit.
	Rate float64
	// JWKS is the set of this service's own public keys; nil for none.
	JWKS []byte
	// Pages are the worklist and the engineer's pages; nil for none.
	Pages *worklist.Pages
	// Extra are further routes: CDS services, pages.
	Extra []route.Route
	// Caller names in the audit trail who sends the requests, where the program itself does so and there is no Token.
	Caller string
	// BodyLimit is how many bytes a body may have after unpacking; 0 stands for DefaultBodyLimit.
	BodyLimit int64
	// Registry gathers the metrics; nil stands for a registry of the API's own.
	Registry *prometheus.Registry
	// Version is the version of the program, for the CapabilityStatement.
	Version string
}

// server answers requests.
type server struct {
	Config
	machines    *auth.Machines
	table       map[string]route.Route // by "METHOD pattern"
	rate        *rates
	meters      *meters
	number      atomic.Int64 // of requests, for the log
	crossOrigin *http.CrossOriginProtection
	cdsOrigin   *http.CrossOriginProtection
}

// New gives the handler of all routes. The error names what is missing in the configuration.
func New(c Config) (http.Handler, error) {
	s, err := newServer(c)
	if err != nil {
		return nil, err
	}
	return s.handler(), nil
}

func newServer(c Config) (*server, error) {
	for name, missing := range map[string]bool{
		"Accept": c.Accept == nil, "Screen": c.Screen == nil, "Mentions": c.Mentions == nil, "AcceptHeld": c.AcceptHeld == nil, "Clashes": c.Clashes == nil,
		"Quarantine": c.Quarantine == nil, "Held": c.Held == nil,
		"Audit": c.Audit == nil, "Ready": c.Ready == nil, "Assess": c.Assess == nil, "Now": c.Now == nil, "Zone": c.Zone == nil,
		"Log": c.Log == nil,
	} {
		if missing {
			return nil, errors.New("api: " + name + " is not set")
		}
	}
	feeds := map[string]string{DefaultFeed: ""}
	for name, base := range c.Feeds {
		if !fhir.ValidID(name) {
			return nil, fmt.Errorf("api: feed name %q: use letters, digits, hyphens and full stops", name)
		}
		if name == localFeed {
			return nil, fmt.Errorf("api: the feed %q is that of what people enter here, and has no door", name)
		}
		feeds[name] = strings.TrimSuffix(base, "/")
	}
	c.Feeds = feeds
	c.PublicURL = strings.TrimSuffix(c.PublicURL, "/")
	if c.BodyLimit == 0 {
		c.BodyLimit = DefaultBodyLimit
	}
	if c.Registry == nil {
		c.Registry = prometheus.NewRegistry()
	}
	m, err := newMeters(c.Registry)
	if err != nil {
		return nil, fmt.Errorf("api: %w", err)
	}
	s := &server{Config: c, rate: newRates(c.Rate), meters: m, crossOrigin: http.NewCrossOriginProtection(), cdsOrigin: http.NewCrossOriginProtection(),
		table: map[string]route.Route{}}
	if err := s.knowCallers(); err != nil {
		return nil, err
	}
	for _, r := range s.routes() {
		key := r.Method + " " + r.Path
		if _, twice := s.table[key]; twice || r.Handle == nil || r.Access.Kind == "" {
			return nil, fmt.Errorf("api: route %s stands twice, answers nothing, or is for nobody", key)
		}
		s.table[key] = r
	}
	return s, nil
}

// knowCallers reads who may call.
func (s *server) knowCallers() error {
	for _, origin := range s.CDSOrigins {
		if err := s.cdsOrigin.AddTrustedOrigin(origin); err != nil {
			return errors.New("api: an origin of CDS clients is none")
		}
	}
	m := s.Machines
	for feed := range m.Feeds {
		if _, known := s.Feeds[feed]; !known {
			return errors.New("api: there is a secret for a feed that is not known")
		}
	}
	for feed := range m.Pins {
		if _, known := s.Feeds[feed]; !known {
			return errors.New("api: callers are named for a feed that is not known")
		}
	}
	m.Secret, m.Now = s.Token, s.Now
	if len(m.Audiences) == 0 && s.PublicURL != "" {
		m.Audiences = []string{s.PublicURL, s.PublicURL + "/fhir"}
		for feed := range s.Feeds {
			m.Audiences = append(m.Audiences, s.PublicURL+"/feeds/"+feed+"/fhir")
		}
	}
	if len(m.Issuers) > 0 && len(m.Audiences) == 0 {
		return errors.New("api: access tokens need an audience or the public URL")
	}
	s.machines = auth.NewMachines(m)
	return nil
}

// handler wraps the engine: FHIR clients often write a base with a slash at its end, and a redirect would lose the body
// of senders that do not follow one.
func (s *server) handler() http.Handler {
	e := s.engine()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if p := r.URL.Path; len(p) > 1 && strings.HasSuffix(p, "/") {
			u := *r.URL
			u.Path, u.RawPath = strings.TrimSuffix(p, "/"), ""
			r = r.Clone(r.Context())
			r.URL = &u
		}
		e.ServeHTTP(w, r)
	})
}

// feedSpace is the namespace of a feed's own ids: UUIDv5 of a namespace of this program and the feed's name.
func feedSpace(feed string) uuid.UUID {
	return uuid.NewSHA1(uuid.NewSHA1(uuid.NameSpaceURL, []byte("urn:dwellwatch:feed")), []byte(feed))
}

func (s *server) engine() *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.RedirectTrailingSlash = false
	e.RedirectFixedPath = false
	e.HandleMethodNotAllowed = true
	e.Use(s.observe, s.auditCallers, s.recover, s.guard, s.text)
	e.NoRoute(func(c *gin.Context) { s.refuse(c, notFound("there is no such route")) })
	e.NoMethod(func(c *gin.Context) {
		s.refuse(c, &problem{status: http.StatusMethodNotAllowed, issues: []fhir.Issue{
			{Severity: "error", Code: "not-supported", Text: "this route does not answer that method; the doors take deliveries and can be neither read nor searched"}}})
	})
	for _, r := range s.routes() {
		e.Handle(r.Method, r.Path, r.Handle)
	}
	return e
}
