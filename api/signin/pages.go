package signin

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	_ "embed"
	"encoding/base64"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"dwellwatch/internal/auth"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
)

//go:embed page.html
var pageText string

//go:embed page.css
var pageStyle string

// signinTime is how long somebody may take at the provider.
const signinTime = 10 * time.Minute

// maxName bounds the name that somebody picks, in runes.
const maxName = 60

// page is what a page of this package says.
type page struct {
	Title, Text string
	Local       bool   // the form of the local sign-in
	To          string // a page to go to afterwards
	Roles       []auth.Role
	Link, Label string // a way on
	Out         string // words of the button that ends the session; "" for none
	Style       template.CSS
}

// Headers sets what every page for people is sent with: no script, style or frame of another origin, nothing kept in a cache that
// others may read.
func Headers(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; "+
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// Refuse answers with a page that says why something cannot be shown. Who wants to be somebody else ends their session first.
func Refuse(c *gin.Context, status int, title, text string) {
	render(c, status, page{Title: title, Text: text, Out: "Sign in as somebody else"})
	c.Abort()
}

func render(c *gin.Context, status int, p page) {
	Headers(c.Writer.Header())
	sum := sha256.Sum256([]byte(pageStyle))
	c.Header("Content-Security-Policy", "default-src 'none'; style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+
		"'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	p.Style = template.CSS(pageStyle) //nolint:gosec // built in
	var out bytes.Buffer
	t, err := template.New("page").Parse(pageText)
	if err == nil {
		err = t.Execute(&out, p)
	}
	if err != nil {
		c.AbortWithStatus(http.StatusInternalServerError)
		return
	}
	c.Data(status, "text/html; charset=utf-8", out.Bytes())
}

// Turn sends somebody who has not signed in to do so. What a script asks for is answered 401 instead, with the header that tells htmx
// to leave the page.
func (s *SignIn) Turn(c *gin.Context) {
	Headers(c.Writer.Header())
	to := "/signin?to=" + url.QueryEscape(SafePath(c.Request.URL.RequestURI(), s.Home))
	script := c.GetHeader("HX-Request") == "true"
	if script {
		here, err := url.Parse(c.GetHeader("HX-Current-URL"))
		if err != nil {
			here = &url.URL{}
		}
		to = "/signin?to=" + url.QueryEscape(SafePath(here.RequestURI(), s.Home))
		c.Header("HX-Redirect", to)
	}
	if script || c.Request.Method != http.MethodGet && c.Request.Method != http.MethodHead {
		render(c, http.StatusUnauthorized, page{Title: "Not signed in", Text: "Nothing was changed. Sign in and do it again.", Link: "/signin", Label: "Sign in"})
		c.Abort()
		return
	}
	c.Redirect(http.StatusSeeOther, to)
	c.Abort()
}

// begin shows the local sign-in, or goes to the provider.
func (s *SignIn) begin(c *gin.Context) {
	to := SafePath(c.Query("to"), s.Home)
	switch {
	case s.Local && !auth.LocalHost(c.Request.Host):
		s.refuseHost(c)
	case s.Local:
		render(c, http.StatusOK, page{Title: "Sign in (demonstration)", Local: true, To: to, Roles: Roles()})
	case c.Query("out") != "":
		_, err := s.Person(c.Request)
		switch {
		case err == nil:
			render(c, http.StatusOK, page{Title: "Still signed in", Text: "Your session has not ended.", Link: s.Home, Label: "Back to the pages", Out: "Sign out"})
			return
		case !errors.Is(err, fault.NotFound):
			s.failed(c, err)
			return
		}
		render(c, http.StatusOK, page{Title: "Signed out", Text: "You are signed out of dwellwatch. The hospital's own sign-in may still know you.",
			Link: "/signin", Label: "Sign in"})
	default:
		s.leave(c, to)
	}
}

// leave sends the browser to the provider, with a cookie by which it is known when it comes back.
func (s *SignIn) leave(c *gin.Context, to string) {
	a := attempt{secret()}
	where, err := s.Provider.where(c.Request.Context(), a)
	if err != nil {
		s.failed(c, err)
		return
	}
	Headers(c.Writer.Header())
	s.setCookie(c.Writer, signinCookie, a.seed+"."+base64.RawURLEncoding.EncodeToString([]byte(to)), signinTime)
	c.Redirect(http.StatusSeeOther, where)
}

// callback takes somebody who comes back from the provider.
func (s *SignIn) callback(c *gin.Context) {
	if s.Provider == nil {
		s.failed(c, denied("no provider is configured", "oidc-issuer"))
		return
	}
	cookie, err := c.Request.Cookie(s.cookieName(signinCookie))
	if err != nil {
		s.failed(c, denied("the browser came back without the cookie of its sign-in", "public-url"))
		return
	}
	seed, after, _ := strings.Cut(cookie.Value, ".")
	a := attempt{seed}
	s.setCookie(c.Writer, signinCookie, "", 0)
	state := a.part("state")
	if err := s.answered(c, seed, state); err != nil {
		s.failed(c, err)
		return
	}
	p, err := s.Provider.who(c.Request.Context(), a, c.Query("code"))
	if errors.Is(err, errNoRole) {
		s.note(c, p, "sign in", http.StatusForbidden)
	}
	if err == nil {
		err = s.start(c.Writer, c.Request, p)
	}
	if err != nil {
		s.failed(c, err)
		return
	}
	s.note(c, p, "sign in", http.StatusSeeOther)
	to, err := base64.RawURLEncoding.DecodeString(after)
	if err != nil {
		to = nil
	}
	Headers(c.Writer.Header())
	c.Redirect(http.StatusSeeOther, SafePath(string(to), s.Home))
}

// answered checks what the browser brings back. A provider that names itself (RFC 9207) must be the one that was asked.
func (s *SignIn) answered(c *gin.Context, seed, state string) error {
	issuer, named := c.GetQuery("iss")
	switch {
	case seed == "" || subtle.ConstantTimeCompare([]byte(c.Query("state")), []byte(state)) != 1:
		return denied("another state came back", "")
	case named && issuer != s.Provider.Issuer:
		return denied("another issuer answers", "oidc-issuer")
	case c.Query("error") != "":
		return denied("the provider refuses:"+word(c.Query("error")), "oidc-client-id")
	case c.Query("code") == "":
		return denied("no code came back", "oidc-issuer")
	}
	return nil
}

// failed says that a sign-in did not succeed, and no more than the person can use.
func (s *SignIn) failed(c *gin.Context, err error) {
	p := page{Title: "Sign-in did not succeed", Text: "Try once more. If it fails again, tell the people who run dwellwatch.", Link: "/signin", Label: "Try again"}
	status := http.StatusForbidden
	switch {
	case errors.Is(err, errNoRole):
		p.Text = "You are known, but have no role in dwellwatch. Ask for one of viewer, coordinator, clinician or engineer."
	case errors.Is(err, fault.Unavailable):
		status = http.StatusServiceUnavailable
		p.Text = "The hospital's sign-in or our database does not answer. Try again in a minute."
		c.Header("Retry-After", "60")
	case !errors.Is(err, errDenied):
		status = http.StatusInternalServerError
	}
	cause, setting := "our own fault", ""
	var f *failure
	switch {
	case errors.As(err, &f):
		cause, setting = f.cause, f.setting
	case errors.Is(err, fault.Unavailable):
		cause = "the database does not answer"
	}
	s.Log.Warn("sign-in failed", "status", status, "cause", cause, "setting", setting)
	render(c, status, p)
}

// local takes a name and a role as they are given.
func (s *SignIn) local(c *gin.Context) {
	if !s.Local {
		s.failed(c, denied("the local sign-in is off", "local-signin"))
		return
	}
	if !auth.LocalHost(c.Request.Host) || s.Check(c.Request) != nil {
		s.refuseHost(c)
		return
	}
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, 8<<10)
	name, role := strings.TrimSpace(c.PostForm("name")), auth.Role(c.PostForm("role"))
	to := SafePath(c.PostForm("to"), s.Home)
	if name == "" || len([]rune(name)) > maxName || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) || !slices.Contains(Roles(), role) {
		render(c, http.StatusUnprocessableEntity, page{Title: "Sign in (demonstration)", Text: "Give a name and pick a role.", Local: true, To: to, Roles: Roles()})
		return
	}
	p := auth.Person{Subject: "local:" + name, Name: name, Roles: []auth.Role{role}, Local: true}
	if err := s.start(c.Writer, c.Request, p); err != nil {
		s.failed(c, err)
		return
	}
	s.note(c, p, "sign in", http.StatusSeeOther)
	Headers(c.Writer.Header())
	c.Redirect(http.StatusSeeOther, to)
}

func (s *SignIn) refuseHost(c *gin.Context) {
	Refuse(c, http.StatusForbidden, "Not from here", "The demonstration answers only to this machine's own pages.")
}

// out ends the session.
func (s *SignIn) out(c *gin.Context) {
	if s.Check(c.Request) != nil {
		Refuse(c, http.StatusForbidden, "Not from here", "Pages of other sites may not send requests here.")
		return
	}
	if cookie, err := c.Request.Cookie(s.cookieName(sessionCookie)); err == nil {
		p, known := s.Person(c.Request)
		if err := s.Store.EndSession(c.Request.Context(), digest(cookie.Value)); err != nil {
			s.failed(c, err)
			return
		}
		if known == nil {
			s.note(c, p, "sign out", http.StatusSeeOther)
		}
	}
	s.setCookie(c.Writer, sessionCookie, "", 0)
	Headers(c.Writer.Header())
	c.Redirect(http.StatusSeeOther, "/signin?out=1")
}

func (s *SignIn) note(c *gin.Context, p auth.Person, action string, status int) {
	s.Audit(context.WithoutCancel(c.Request.Context()), p, action, c.FullPath(), strconv.Itoa(status))
}
