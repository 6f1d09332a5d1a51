package api

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"

	"dwellwatch/fhir"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
)

// retryAfter is how many seconds a caller is asked to wait while something else is not available.
const retryAfter = "30"

// problem is an error that already knows its answer.
type problem struct {
	status     int
	issues     []fhir.Issue
	unreadable bool   // the payload goes to the quarantine
	concerns   bool   // it touches on somebody followed, whatever its bytes say
	challenge  string // WWW-Authenticate; "" for the plain one
}

func (p *problem) Error() string { return fmt.Sprintf("%d %s", p.status, http.StatusText(p.status)) }

func refusal(status int, code, expression, text string) *problem {
	return &problem{status: status, issues: []fhir.Issue{{Severity: "error", Code: code, Expression: expression, Text: text}}}
}

// unread is a refusal of a payload that could not be taken as it is.
func unread(status int, issues ...fhir.Issue) *problem {
	return &problem{status: status, issues: issues, unreadable: true}
}

func notFound(text string) *problem { return refusal(http.StatusNotFound, "not-found", "", text) }

// problemOf turns any error into its answer; it is the only place that knows which error has which status. Texts of
// errors are never repeated to a caller, except those of fhir.Invalid, which hold element paths and our own words.
func problemOf(err error) *problem {
	var p *problem
	var invalid *fhir.Invalid
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &invalid):
		return unread(statusOfIssues(invalid.Issues), invalid.Issues...)
	case errors.Is(err, fault.Invalid):
		return unread(http.StatusBadRequest, fhir.Issue{Severity: "error", Code: "invalid", Text: "the input cannot be read"})
	case errors.Is(err, fault.NotFound):
		return notFound("what was asked for is not here")
	case errors.Is(err, fault.Unavailable):
		return refusal(http.StatusServiceUnavailable, "transient", "", "the service cannot do this now; send it again later")
	}
	return &problem{status: http.StatusInternalServerError, issues: []fhir.Issue{
		{Severity: "fatal", Code: "exception", Text: "something went wrong inside the service; send it again, a repeated delivery does no harm"}}}
}

// statusOfIssues says 413 for what is too large and 422 for what is well-formed but of a kind the doors do not take.
func statusOfIssues(issues []fhir.Issue) int {
	if len(issues) == 1 {
		switch issues[0].Code {
		case "too-costly", "too-long":
			return http.StatusRequestEntityTooLarge
		case "not-supported":
			return http.StatusUnprocessableEntity
		}
	}
	return http.StatusBadRequest
}

// refuse writes the answer to an error and ends the request.
func (s *server) refuse(c *gin.Context, err error) {
	p := problemOf(err)
	if p.status >= http.StatusInternalServerError {
		var keys *auth.KeysError
		if errors.As(err, &keys) {
			s.Log.Error("the keys of an issuer cannot be read", "issuer", keys.Issuer, "setting", keys.Setting, "cause", keys.Cause)
		}
		s.Log.Error("request failed", "route", pattern(c), "status", p.status, "cause", kindOfError(err))
	}
	switch p.status {
	case http.StatusServiceUnavailable:
		c.Header("Retry-After", retryAfter)
	case http.StatusTooManyRequests:
		c.Header("Retry-After", "1")
	case http.StatusUnauthorized:
		c.Header("WWW-Authenticate", cmp.Or(p.challenge, `Bearer realm="dwellwatch"`))
	case http.StatusForbidden:
		if p.challenge != "" {
			c.Header("WWW-Authenticate", p.challenge)
		}
	}
	s.writeFHIR(c, p.status, fhir.Outcome(p.issues...))
	c.Abort()
}

// kindOfError describes an error without its text, which may repeat what a database or a library was given: the type of
// its innermost cause, and the SQLSTATE where it has one.
func kindOfError(err error) string {
	var sql interface{ SQLState() string }
	if errors.As(err, &sql) {
		return "SQLSTATE " + sql.SQLState()
	}
	kind := ""
	for _, k := range []error{fault.Unavailable, fault.Superseded, fault.Refused} {
		if errors.Is(err, k) {
			kind = k.Error() + ": "
		}
	}
	for next := err; next != nil; next = errors.Unwrap(err) {
		err = next
	}
	return fmt.Sprintf("%s%T", kind, err)
}

// writeFHIR answers with FHIR JSON, or with plain JSON's media type where the caller asked for that alone.
func (s *server) writeFHIR(c *gin.Context, status int, body []byte) {
	c.Data(status, responseType(c.Request), body)
}
