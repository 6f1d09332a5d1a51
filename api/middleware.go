package api

import (
	"context"
	"errors"
	"mime"
	"net/http"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"dwellwatch/api/signin"
	"dwellwatch/internal/auth"

	"github.com/gin-gonic/gin"
)

// pattern gives the route's pattern; a URL itself may name a patient and is never used.
func pattern(c *gin.Context) string {
	if p := c.FullPath(); p != "" {
		return p
	}
	return "unmatched"
}

// method gives the request's method if it is a usual one: a caller could send any word.
func method(r *http.Request) string {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return r.Method
	}
	return "other"
}

// observe writes one line of the access log and counts the request.
func (s *server) observe(c *gin.Context) {
	start, number := s.Now(), s.number.Add(1)
	c.Next()
	took := s.Now().Sub(start)
	s.meters.request(pattern(c), method(c.Request), c.Writer.Status(), took)
	s.Log.Info("request", "number", number, "method", method(c.Request), "route", pattern(c),
		"status", c.Writer.Status(), "duration", took)
}

// recover answers 500 after a panic. The value of a panic may hold what was sent, so only the stack is logged, which
// names functions and lines.
func (s *server) recover(c *gin.Context) {
	defer func() {
		v := recover()
		if v == nil {
			return
		}
		if err, ok := v.(error); ok && errors.Is(err, http.ErrAbortHandler) {
			panic(v)
		}
		s.Log.Error("panic", "route", pattern(c), "stack", string(debug.Stack()))
		if !c.Writer.Written() {
			s.refuse(c, errors.New("panic"))
		}
		c.Abort()
	}()
	c.Next()
}

// text refuses what no text of ours can hold: a zero byte, and bytes that are not UTF-8, in the path, the query or the fields of a form.
func (s *server) text(c *gin.Context) {
	for _, p := range c.Params {
		if !plain(p.Value) {
			s.refuse(c, notFound("there is nothing of that name"))
			return
		}
	}
	fields := c.Request.URL.Query()
	if media, _, err := mime.ParseMediaType(c.GetHeader("Content-Type")); err == nil && media == "application/x-www-form-urlencoded" {
		c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxForm)
		if err := c.Request.ParseForm(); err != nil {
			s.refuse(c, refusal(http.StatusBadRequest, "structure", "", "the form, or what stands behind the question mark, cannot be read"))
			return
		}
		fields = c.Request.Form
	}
	for name, values := range fields {
		if !plain(name) || slices.ContainsFunc(values, func(v string) bool { return !plain(v) }) {
			s.refuseText(c)
			return
		}
	}
}

// refuseText says that a field cannot be kept; to people in words, on a page.
func (s *server) refuseText(c *gin.Context) {
	if s.table[c.Request.Method+" "+c.FullPath()].Access.Kind == auth.People {
		signin.Refuse(c, http.StatusBadRequest, "The text cannot be kept", "The text holds characters that cannot be kept: a zero byte, or bytes that are not UTF-8. Nothing was changed. Go back and type it without them.")
		return
	}
	s.refuse(c, refusal(http.StatusBadRequest, "value", "", "a field holds a zero byte, or is not UTF-8"))
}

// maxForm bounds a form in bytes.
const maxForm = 64 << 10

// plain reports whether a text can be kept and shown as it is.
func plain(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// audit writes the row of a machine's request that has been answered.
func (s *server) audit(c *gin.Context, caller, action string, number int64) {
	s.write(c, AuditRow{At: s.Now(), Caller: caller, Action: action, Route: pattern(c), Outcome: strconv.Itoa(c.Writer.Status()), Number: number})
}

// write writes a row. The request may be over, so its cancellation is not heeded; what was stored stays stored, so a failure is
// logged.
func (s *server) write(c *gin.Context, row AuditRow) {
	if err := s.Audit(context.WithoutCancel(c.Request.Context()), row); err != nil {
		s.Log.Error("audit row not written", "route", row.Route, "outcome", row.Outcome, "cause", kindOfError(err))
	}
}

// caller says for the audit trail who calls a route that is no door.
func caller(c *gin.Context) string { return grantOf(c).Who }

// grantOf gives what the caller of a machine's route may do.
func grantOf(c *gin.Context) auth.Grant {
	g, _ := c.Get(grantKey)
	grant, _ := g.(auth.Grant)
	return grant
}
