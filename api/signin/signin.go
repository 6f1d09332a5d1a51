// Package signin knows the people who use the pages: they sign in through the hospital's OpenID Connect provider, or, for the
// demonstration on this machine alone, by picking a name and a role. It must never store or log a session's id, a code or
// a token, nor send anybody to an address that is not its own or the provider's.
package signin

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"dwellwatch/api/route"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/fault"
)

// Session is one person's stay. It holds nothing that would let anybody in.
type Session struct {
	Subject, Name, Practitioner string
	Roles                       []string
	Local                       bool
	StartedAt, EndsAt           time.Time
}

// Store keeps sessions by the SHA-256 of their id, for all replicas.
type Store interface {
	// StartSession keeps a session.
	StartSession(ctx context.Context, digest []byte, s Session) error
	// Session gives a session that has not ended and was used within idle, and notes that it was used now; otherwise
	// fault.NotFound.
	Session(ctx context.Context, digest []byte, now time.Time, idle time.Duration) (Session, error)
	// EndSession forgets a session; one that is not there is no error.
	EndSession(ctx context.Context, digest []byte) error
}

// Config says how people sign in: Provider or Local, not both.
type Config struct {
	Provider *Provider
	// Local lets people pick a name and a role. Only for a demonstration that no other machine can reach.
	Local bool
	// Origin is scheme, host and port under which people reach the service, e.g. "https://dwellwatch.example.org". A provider sends
	// people back there. "" only with Local.
	Origin string
	// Secure keeps the cookies to https. It must be true wherever other machines can reach the service.
	Secure bool
	// Home is where people go who asked for no page in particular.
	Home string
	// Idle and Lifetime end a session: so long without a request, so long after the sign-in.
	Idle, Lifetime time.Duration
	Store          Store
	// Audit notes that somebody signed in or out, or was turned away.
	Audit func(ctx context.Context, p auth.Person, action, pattern, outcome string)
	Now   func() time.Time
	Log   *slog.Logger
}

// SignIn is safe for concurrent use.
type SignIn struct {
	Config
	crossOrigin *http.CrossOriginProtection
}

// New checks the configuration. It sends nothing: the provider is looked up when somebody signs in.
func New(c Config) (*SignIn, error) {
	switch {
	case c.Provider == nil && !c.Local, c.Provider != nil && c.Local:
		return nil, errors.New("sign-in: one of a provider and the local sign-in")
	case c.Local && c.Secure:
		return nil, errors.New("sign-in: the local sign-in is for this machine alone")
	case c.Store == nil || c.Now == nil || c.Audit == nil || c.Log == nil || c.Idle <= 0 || c.Lifetime <= 0:
		return nil, errors.New("sign-in: the configuration is incomplete")
	}
	s := &SignIn{Config: c, crossOrigin: http.NewCrossOriginProtection()}
	if c.Origin != "" {
		if err := s.crossOrigin.AddTrustedOrigin(c.Origin); err != nil {
			return nil, errors.New("sign-in: the origin is none")
		}
	}
	s.Home = cmp.Or(c.Home, "/worklist")
	return s, nil
}

// Routes are those of the sign-in itself. They need no credentials.
func (s *SignIn) Routes() []route.Route {
	table := []route.Route{
		{Method: http.MethodGet, Path: "/signin", Access: auth.Open(), Handle: s.begin},
		{Method: http.MethodPost, Path: "/signout", Access: auth.Open(), Handle: s.out},
		{Method: http.MethodGet, Path: "/signin/callback", Access: auth.Open(), Handle: s.callback},
		{Method: http.MethodPost, Path: "/signin/local", Access: auth.Open(), Handle: s.local},
	}
	return table
}

// Look reads the provider's addresses, so that what is configured wrongly is told of at the start and not by the first who signs in.
func (s *SignIn) Look(ctx context.Context) {
	if s.Provider == nil {
		return
	}
	var f *failure
	if _, err := s.Provider.discovered(ctx); errors.As(err, &f) {
		s.Log.Warn("nobody can sign in: the provider cannot be read", "cause", f.cause, "setting", f.setting)
	}
}

// Person gives who sends a request; fault.NotFound where nobody is signed in.
func (s *SignIn) Person(r *http.Request) (auth.Person, error) {
	cookie, err := r.Cookie(s.cookieName(sessionCookie))
	if err != nil {
		return auth.Person{}, fault.NotFound
	}
	session, err := s.Store.Session(r.Context(), digest(cookie.Value), s.Now(), s.Idle)
	if err != nil {
		return auth.Person{}, err
	}
	// A session of the demonstration is worth nothing to a service that has a provider.
	if session.Local != s.Local {
		return auth.Person{}, fault.NotFound
	}
	return person(session), nil
}

// Check refuses a request that changes something and comes from a page of another site.
func (s *SignIn) Check(r *http.Request) error { return s.crossOrigin.Check(r) }

func person(s Session) auth.Person {
	p := auth.Person{Subject: s.Subject, Name: s.Name, Practitioner: s.Practitioner, Local: s.Local}
	for _, r := range s.Roles {
		p.Roles = append(p.Roles, auth.Role(r))
	}
	return p
}

// Roles are those that exist, in the order in which people are offered them.
func Roles() []auth.Role {
	return []auth.Role{auth.Viewer, auth.Coordinator, auth.Clinician, auth.Engineer}
}

// start begins a session under a new id, ends the one that the browser had, and sets the cookie.
func (s *SignIn) start(w http.ResponseWriter, r *http.Request, p auth.Person) error {
	if old, err := r.Cookie(s.cookieName(sessionCookie)); err == nil {
		if err := s.Store.EndSession(r.Context(), digest(old.Value)); err != nil {
			return err
		}
	}
	id := secret()
	now := s.Now()
	session := Session{Subject: p.Subject, Name: p.Name, Practitioner: p.Practitioner, Local: p.Local, StartedAt: now, EndsAt: now.Add(s.Lifetime)}
	for _, role := range p.Roles {
		session.Roles = append(session.Roles, string(role))
	}
	if err := s.Store.StartSession(r.Context(), digest(id), session); err != nil {
		return err
	}
	s.setCookie(w, sessionCookie, id, s.Lifetime)
	return nil
}

const (
	sessionCookie = "dwellwatch"
	signinCookie  = "dwellwatch-signin"
)

// cookieName adds the prefix that binds a cookie to this very host and to https, where there is https (RFC 6265bis section 4.1.3.2).
func (s *SignIn) cookieName(name string) string {
	if s.Secure {
		return "__Host-" + name
	}
	return name
}

// setCookie sets a cookie; one that lasts no time is taken back.
func (s *SignIn) setCookie(w http.ResponseWriter, name, value string, lasts time.Duration) {
	age := int(lasts / time.Second)
	if age <= 0 {
		age = -1
	}
	http.SetCookie(w, &http.Cookie{Name: s.cookieName(name), Value: value, Path: "/", MaxAge: age, Secure: s.Secure, HttpOnly: true, SameSite: http.SameSiteLaxMode})
}

// secret gives 32 random bytes as text.
func secret() string {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails; the program ends where the machine has no randomness
	return base64.RawURLEncoding.EncodeToString(b)
}

// digest is what is kept of a session's id.
func digest(id string) []byte {
	sum := sha256.Sum256([]byte(id))
	return sum[:]
}

// maxReturn bounds the path of a page to come back to.
const maxReturn = 512

// SafePath gives a path of this service to go to after the sign-in, or without where what was asked for may lead elsewhere.
func SafePath(to, without string) string {
	switch {
	case to == "" || len(to) > maxReturn || to[0] != '/':
		return without
	case strings.HasPrefix(to, "//"), strings.ContainsFunc(to, func(r rune) bool { return r <= ' ' || r >= 0x7f || r == '\\' }):
		return without
	case slices.ContainsFunc([]string{"/signin", "/signout"}, func(p string) bool {
		return to == p || strings.HasPrefix(to, p+"?") || strings.HasPrefix(to, p+"/")
	}):
		return without
	}
	return to
}
