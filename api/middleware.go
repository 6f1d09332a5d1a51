package api

import (
	"context"
	"errors"
	"net/http"
	"runtime/debug"
	"strconv"

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
