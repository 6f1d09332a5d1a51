package api

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dwellwatch/fhir"

	"github.com/gin-gonic/gin"
)

// Held is what lies in the quarantine.
type Held struct {
	ID                           int64
	Feed, Route                  string
	Method, Target               string
	ContentType, ContentEncoding string
	Bundle                       string
	ReceivedAt, ExpiresAt        time.Time
	Size                         int64
	Body                         []byte
	Replayable                   bool // the bytes are kept, and how they came
	Times                        int  // it came, byte for byte the same; ReceivedAt is the last time
	Issues                       []fhir.Issue
	Replays                      int       // refused again
	ReplayedAt                   time.Time // zero before the first
	Outcome                      int       // HTTP status of the last replay
	OutcomeIssues                []fhir.Issue
}

// Holder reaches the quarantine. Where there is no entry of a number the error is fault.NotFound.
type Holder interface {
	// List gives entries without their bytes in order of their numbers, after the number after, at most limit; of all
	// feeds where feed is "".
	List(ctx context.Context, feed string, after int64, limit int) ([]Held, error)
	// Show gives one entry with its bytes, where they are kept.
	Show(ctx context.Context, id int64) (Held, error)
	// Replayed notes that a replay was refused.
	Replayed(ctx context.Context, id int64, status int, issues []fhir.Issue, at time.Time) error
	// Discard deletes an entry.
	Discard(ctx context.Context, id int64) error
}

// notKept tells why an entry cannot be replayed.
const notKept = "its bytes were not kept, because nothing in them told of a filter or named a followed patient or an entry that tells of a filter, or they were too many to be read; the sender must send it again"

const (
	heldPage    = 100
	maxHeldPage = 1000
)

// heldEntry is how an entry of the quarantine is shown.
type heldEntry struct {
	ID         int64       `json:"id"`
	Feed       string      `json:"feed"`
	Route      string      `json:"route"`
	ReceivedAt time.Time   `json:"receivedAt"`
	ExpiresAt  time.Time   `json:"expiresAt"`
	Size       int64       `json:"size"`
	Replayable bool        `json:"replayable"`
	Times      int         `json:"times"`
	Note       string      `json:"note,omitempty"`
	Issues     []heldIssue `json:"issues"`
	Replays    int         `json:"replays"`
	LastReplay *heldReplay `json:"lastReplay,omitempty"`

	Request *heldRequest `json:"request,omitempty"`
	Body    *string      `json:"body,omitempty"`
}

type heldIssue struct {
	Severity string `json:"severity"`
	Code     string `json:"code"`
	Path     string `json:"path,omitempty"`
	Text     string `json:"text,omitempty"`
}

type heldReplay struct {
	At     time.Time   `json:"at"`
	Status int         `json:"status"`
	Issues []heldIssue `json:"issues"`
}

// heldRequest says how a payload came.
type heldRequest struct {
	Method          string `json:"method"`
	Target          string `json:"target"`
	ContentType     string `json:"contentType,omitempty"`
	ContentEncoding string `json:"contentEncoding,omitempty"`
	Bundle          string `json:"bundle,omitempty"`
}

// heldList is one page; Next is the after of the following one.
type heldList struct {
	Entries []heldEntry `json:"entries"`
	Next    *int64      `json:"next,omitempty"`
}

func shown(h Held) heldEntry {
	e := heldEntry{ID: h.ID, Feed: h.Feed, Route: h.Route, ReceivedAt: h.ReceivedAt.UTC(), ExpiresAt: h.ExpiresAt.UTC(), Size: h.Size,
		Replayable: h.Replayable, Times: h.Times, Issues: shownIssues(h.Issues), Replays: h.Replays}
	if !h.Replayable {
		e.Note = notKept
	}
	if h.Replays > 0 {
		e.LastReplay = &heldReplay{At: h.ReplayedAt.UTC(), Status: h.Outcome, Issues: shownIssues(h.OutcomeIssues)}
	}
	return e
}

func shownIssues(issues []fhir.Issue) []heldIssue {
	out := []heldIssue{}
	for _, i := range issues {
		out = append(out, heldIssue{Severity: i.Severity, Code: i.Code, Path: i.Expression, Text: i.Text})
	}
	return out
}

// listHeld gives one page of the quarantine, never a payload.
func (s *server) listHeld(c *gin.Context) {
	if err := s.writeHeldPage(c); err != nil {
		s.refuse(c, err)
	}
}

func (s *server) writeHeldPage(c *gin.Context) error {
	if err := negotiatePlain(c.Request); err != nil {
		return err
	}
	if err := onlyParameters(c, "after", "limit", "feed"); err != nil {
		return err
	}
	after, err := numberIn(c, "after", 0, 0, 1<<62)
	if err != nil {
		return err
	}
	limit, err := numberIn(c, "limit", heldPage, 1, maxHeldPage)
	if err != nil {
		return err
	}
	list, err := s.Held.List(c.Request.Context(), c.Query("feed"), after, int(limit)+1)
	if err != nil {
		return err
	}
	if feed := c.Query("feed"); feed != "" && len(list) == 0 && after == 0 {
		// A feed that has left the settings may still have entries; one that has neither is a slip of the pen.
		if _, known := s.Feeds[feed]; !known {
			return refusal(http.StatusBadRequest, "value", "", "feed is not the name of a feed, and nothing of such a feed is kept")
		}
	}
	page := heldList{Entries: []heldEntry{}}
	if len(list) > int(limit) {
		list = list[:limit]
		page.Next = &list[limit-1].ID
	}
	for _, h := range list {
		page.Entries = append(page.Entries, shown(h))
	}
	c.JSON(http.StatusOK, page)
	return nil
}

// showHeld gives one entry; its payload only to a caller who asks for it.
func (s *server) showHeld(c *gin.Context) {
	action := "quarantine show"
	id, err := heldID(c)
	if err == nil {
		var withBody bool
		if withBody, err = boolIn(c, "body"); withBody {
			action = "quarantine show body"
		}
		if err == nil {
			err = s.writeHeld(c, id, withBody)
		}
	}
	if err != nil {
		s.refuse(c, err)
	}
	s.audit(c, caller(c), action, id)
}

func (s *server) writeHeld(c *gin.Context, id int64, withBody bool) error {
	if err := negotiatePlain(c.Request); err != nil {
		return err
	}
	if err := onlyParameters(c, "body"); err != nil {
		return err
	}
	h, err := s.Held.Show(c.Request.Context(), id)
	if err != nil {
		return err
	}
	e := shown(h)
	if h.Replayable {
		e.Request = &heldRequest{Method: h.Method, Target: h.Target, ContentType: h.ContentType, ContentEncoding: h.ContentEncoding, Bundle: h.Bundle}
	}
	if withBody && h.Body != nil {
		text := strings.ToValidUTF8(string(h.Body), "\uFFFD")
		e.Body = &text
	}
	c.JSON(http.StatusOK, e)
	return nil
}

// discardHeld deletes one entry.
func (s *server) discardHeld(c *gin.Context) {
	id, err := heldID(c)
	if err == nil {
		err = s.Held.Discard(c.Request.Context(), id)
	}
	if err != nil {
		s.refuse(c, err)
	} else {
		c.Status(http.StatusNoContent)
		c.Writer.WriteHeaderNow()
	}
	s.audit(c, caller(c), "quarantine discard", id)
}

// heldID reads the number in the path. What is no number is the number of no entry.
func heldID(c *gin.Context) (int64, error) {
	id, err := strconv.ParseInt(c.Param("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, notFound("there is no such entry in the quarantine")
	}
	return id, nil
}

// numberIn reads a number of the query.
func numberIn(c *gin.Context, name string, without, least, most int64) (int64, error) {
	text, given := c.GetQuery(name)
	if !given {
		return without, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < least || n > most {
		return 0, refusal(http.StatusBadRequest, "value", "", name+" is a number from "+strconv.FormatInt(least, 10)+" to "+strconv.FormatInt(most, 10))
	}
	return n, nil
}

// boolIn reads true or false of the query; false where it is not given.
func boolIn(c *gin.Context, name string) (bool, error) {
	switch text, given := c.GetQuery(name); {
	case !given || text == "false":
		return false, nil
	case text == "true":
		return true, nil
	}
	return false, refusal(http.StatusBadRequest, "value", "", name+" is true or false")
}

// negotiatePlain refuses a caller that cannot read JSON.
func negotiatePlain(r *http.Request) error {
	if accepts(r, "application/json", "application/fhir+json") {
		return nil
	}
	return refusal(http.StatusNotAcceptable, "not-supported", "", "this route answers in application/json")
}
