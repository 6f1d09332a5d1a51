package api

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"strings"
	"time"

	"dwellwatch/fhir"

	"github.com/gin-gonic/gin"
)

// Refused is a payload that could not be taken, and what it takes to try it again exactly as it came.
type Refused struct {
	Feed, Route     string // Route is a pattern
	Method, Target  string // of the request; Target is the path below the door, without a query: "", "Type" or "Type/id"
	ContentType     string
	ContentEncoding string // of Body; "" where it was unpacked
	Bundle          string // for one entry of a Bundle its type, or "notification"; "" for a whole body
	Body            []byte // nil where it was too large to be read
	Issues          []fhir.Issue
	Keep            bool // the bytes concern a filter and may be kept
	At              time.Time
}

// notification stands for the type of a Bundle that is a topic notification: its entries are read differently.
const notification = "notification"

func bundleKind(b fhir.Bundle) string {
	if _, ok := b.NotificationType(); ok {
		return notification
	}
	return b.Type
}

// whole describes the body of a delivery.
func whole(c *gin.Context, d *delivery, issues []fhir.Issue) Refused {
	target := strings.TrimSuffix(c.Param("type")+"/"+c.Param("id"), "/")
	r := Refused{Method: c.Request.Method, Target: target, ContentType: c.GetHeader("Content-Type"), Body: d.body, Issues: issues}
	switch encoding := encodingOf(c.Request); encoding {
	case "identity", "gzip", "x-gzip": // unpacked by now
	default:
		r.ContentEncoding = encoding
	}
	return r
}

// mayKeep reports whether unreadable bytes touch on what the service is for.
func (s *server) mayKeep(c *gin.Context, d *delivery, body []byte) bool {
	return len(body) > 0 && s.Mentions(c.Request.Context(), d.feed, body)
}

// quarantine notes an unreadable payload of a delivery. What came out of the quarantine itself keeps the time and the door it first came by.
func (s *server) quarantine(c *gin.Context, d *delivery, r Refused) error {
	r.Feed, r.Route, r.At = d.feed, d.route, d.at
	if r.At.IsZero() {
		r.At = s.Now()
	}
	return s.Quarantine(context.WithoutCancel(c.Request.Context()), r)
}

// again makes the request that Held once was. It is asked for by the request by, which says what answers it can read.
func (h Held) again(by *http.Request) (*http.Request, gin.Params) {
	r := by.Clone(by.Context())
	r.Method = h.Method
	r.URL.RawQuery = ""
	r.Header = http.Header{"Accept": by.Header.Values("Accept"), "Content-Type": {h.ContentType}}
	if h.ContentEncoding != "" {
		r.Header.Set("Content-Encoding", h.ContentEncoding)
	}
	r.Body = http.NoBody
	if len(h.Body) > 0 {
		r.Body = io.NopCloser(bytes.NewReader(h.Body))
	}
	var params gin.Params
	if strings.HasPrefix(h.Route, "/feeds/") {
		params = append(params, gin.Param{Key: "feed", Value: h.Feed})
	}
	resourceType, id, _ := strings.Cut(h.Target, "/")
	return r, append(params, gin.Param{Key: "type", Value: resourceType}, gin.Param{Key: "id", Value: id})
}

// door gives what takes a delivery of this kind. It is the code that took it, or would have taken it, when it first came.
func (h Held) door(s *server) func(c *gin.Context, d *delivery) error {
	switch {
	case h.Bundle != "":
		return func(c *gin.Context, d *delivery) error { return s.deliverEntry(c, d, h.Bundle) }
	case h.Target == "":
		return s.deliverToBase
	case h.Method == http.MethodDelete:
		return s.deleteResource
	}
	return s.deliverToType
}

// deliverEntry takes one entry of a Bundle of some kind by itself, read as the Bundle's entry it was.
func (s *server) deliverEntry(c *gin.Context, d *delivery, kind string) error {
	bundleType, before := kind, ""
	if kind == notification {
		bundleType = "history"
		before = `{"resource":{"resourceType":"Parameters","parameter":[{"name":"type","valueCode":"event-notification"}]}},`
	}
	r, err := fhir.Decode([]byte(`{"resourceType":"Bundle","type":"` + bundleType + `","entry":[` + before + string(d.body) + `]}`))
	if err != nil {
		return err
	}
	b, err := fhir.DecodeBundle(r)
	if err != nil {
		return err
	}
	steps, err := plan(d.feed, d.base, b)
	if err != nil {
		return err
	}
	st := steps[len(steps)-1]
	if st.kind == keep && fhir.TemporaryPatient(st.resource) {
		st = st.ready(http.StatusUnprocessableEntity, "error", "conflict", st.path, aloneText)
	}
	return s.single(c, d, st)
}
