package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
)

// replayHeld takes an entry of the quarantine through its door once more. What is taken now leaves the quarantine before the
// caller hears of it; a crash in between leaves an entry whose next replay finds everything already here. What is
// refused again stays, with its new faults, and so does what the door understands and keeps nothing of: that is answered 422.
func (s *server) replayHeld(c *gin.Context) {
	id, err := heldID(c)
	if err == nil {
		err = s.replay(c, id)
	}
	if err != nil {
		s.refuse(c, err)
	}
	s.audit(c, caller(c), "quarantine replay", id)
}

func (s *server) replay(c *gin.Context, id int64) error {
	if err := negotiate(c.Request); err != nil {
		return err
	}
	got, err := s.replayOnce(c, id)
	if err != nil {
		return err
	}
	c.Data(got.status, got.Header().Get("Content-Type"), got.body.Bytes())
	return nil
}

// replayFor is the replay that a person asks for on a page; it gives the door's status and writes no answer.
func (s *server) replayFor(c *gin.Context, id int64) (int, error) {
	got, err := s.replayOnce(c, id)
	for _, name := range []string{"Content-Type", "Location", "ETag", "WWW-Authenticate"} {
		c.Writer.Header().Del(name)
	}
	if p := (*problem)(nil); errors.As(err, &p) && p.status == http.StatusConflict {
		return p.status, nil
	}
	if err != nil {
		return 0, err
	}
	return got.status, nil
}

func (s *server) replayOnce(c *gin.Context, id int64) (*heldAnswer, error) {
	h, err := s.Held.Show(c.Request.Context(), id)
	if err != nil {
		return nil, err
	}
	if !h.Replayable {
		return nil, refusal(http.StatusConflict, "conflict", "", "this cannot be replayed: "+notKept)
	}
	got, issues := s.retake(c, h)
	ctx := context.WithoutCancel(c.Request.Context())
	if got.status >= http.StatusBadRequest {
		err = s.Held.Replayed(ctx, id, got.status, issues, s.Now())
	} else {
		err = s.Held.Discard(ctx, id)
	}
	if err != nil && !errors.Is(err, fault.NotFound) { // somebody else replayed or discarded it meanwhile
		return nil, err
	}
	return got, nil
}

// retake gives the answer of the door, and the faults where it refuses.
func (s *server) retake(c *gin.Context, h Held) (*heldAnswer, []fhir.Issue) {
	request, params, writer := c.Request, c.Params, c.Writer
	defer func() { c.Request, c.Params, c.Writer = request, params, writer }()
	got := &heldAnswer{ResponseWriter: writer, status: http.StatusOK}
	c.Request, c.Params = h.again(request)
	c.Writer = got
	d, err := s.open(c)
	if err == nil {
		d.at, d.route = h.ReceivedAt, h.Route
		err = h.door(s)(c, d)
	}
	if err != nil {
		s.refuse(c, err)
		return got, problemOf(err).issues
	}
	if got.status < http.StatusBadRequest && !d.took && !d.aside {
		issues := append([]fhir.Issue{{Severity: "error", Code: "business-rule", Text: nothingKept}}, d.told[:min(len(d.told), maxFaults)]...)
		got.body.Reset()
		s.refuse(c, &problem{status: http.StatusUnprocessableEntity, issues: issues})
		return got, issues
	}
	return got, d.refused
}

// nothingKept answers a replay that would lose what was set aside.
const nothingKept = "nothing of it was kept, so it stays in the quarantine"

// heldAnswer keeps status and body of an answer back. Headers are set on the real one at once.
type heldAnswer struct {
	gin.ResponseWriter
	status int
	body   bytes.Buffer
}

func (a *heldAnswer) WriteHeader(status int)               { a.status = status }
func (a *heldAnswer) WriteHeaderNow()                      {}
func (a *heldAnswer) Write(b []byte) (int, error)          { return a.body.Write(b) }
func (a *heldAnswer) WriteString(text string) (int, error) { return a.body.WriteString(text) }
func (a *heldAnswer) Status() int                          { return a.status }
func (a *heldAnswer) Size() int                            { return a.body.Len() }
func (a *heldAnswer) Written() bool                        { return a.body.Len() > 0 }
