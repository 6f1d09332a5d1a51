package api

import (
	"bytes"
	"net/http"
	"slices"
	"strings"

	"dwellwatch/fhir"

	"github.com/gin-gonic/gin"
)

// deliverToBase takes a Bundle, or a single resource: some senders of rest-hook notifications post it to the bare endpoint.
func (s *server) deliverToBase(c *gin.Context, d *delivery) error {
	if len(d.body) == 0 {
		// A rest-hook without payload says only that something has changed.
		// http://hl7.org/fhir/R4/subscription.html#2.46.7.1
		s.answerSingle(c, step{}.informed("an empty notification tells nothing that could be kept; let the subscription send the resource").answer)
		return nil
	}
	if t, given := deletedResource(c.Request); given && string(bytes.TrimSpace(d.body)) == "{}" {
		if t.Type == "" || !fhir.ValidID(t.ID) {
			return refusal(http.StatusBadRequest, "value", "", "the header X-…-Deleted-Resource is Type/id of this feed; this one is not")
		}
		return s.single(c, d, del(step{}, t))
	}
	r, b, err := fhir.DecodeWhole(d.body)
	if err != nil {
		return err
	}
	if r.Type == "Bundle" {
		return s.deliverBundle(c, d, b)
	}
	return s.single(c, d, put(d.feed, d.base, step{path: r.Type, resource: r}, target{}))
}

// deletedResource reads the header with which some senders of rest-hook notifications tell of a deletion: the body is {}
// and X-…-Deleted-Resource is "Type/id". given says that the header is there; t is empty where it cannot be read.
func deletedResource(r *http.Request) (t target, given bool) {
	for name, values := range r.Header {
		if !strings.HasPrefix(name, "X-") || !strings.HasSuffix(name, "-Deleted-Resource") {
			continue
		}
		if ref := fhir.ParseReference(values[0]); len(values) == 1 && ref.Base == "" {
			t = target{Type: ref.Type, ID: ref.ID}
		}
		return t, true
	}
	return target{}, false
}

// deliverToType takes one resource at Type or Type/id. POST and PUT mean the same: the sender's record has this.
func (s *server) deliverToType(c *gin.Context, d *delivery) error {
	t, err := targetOf(c)
	if err != nil {
		return err
	}
	r, err := fhir.Decode(d.body)
	if err != nil {
		return err
	}
	st := step{path: r.Type, resource: r}
	if c.Request.Method == http.MethodPut && t.ID == "" && !t.conditional && r.ID == "" {
		return unread(http.StatusBadRequest, fhir.Issue{Severity: "error", Code: "required", Expression: r.Type + ".id",
			Text: "an update names the id, in the URL or in the resource"})
	}
	return s.single(c, d, put(d.feed, d.base, st, t))
}

// deleteResource takes a deletion.
func (s *server) deleteResource(c *gin.Context, d *delivery) error {
	t, err := targetOf(c)
	if err != nil {
		return err
	}
	return s.single(c, d, del(step{}, t))
}

// targetOf reads type and id of the URL. A type that R4 does not have is no route.
func targetOf(c *gin.Context) (target, error) {
	t := target{Type: c.Param("type"), ID: c.Param("id")}
	if !slices.Contains(fhir.R4Types(), t.Type) {
		return t, refusal(http.StatusNotFound, "not-supported", "", fhir.NotR4)
	}
	if t.ID != "" && !fhir.ValidID(t.ID) {
		return t, refusal(http.StatusBadRequest, "value", t.Type+".id", "an id is 1 to 64 letters, digits, hyphens and full stops")
	}
	if t.ID == "" && c.Request.Method != http.MethodPost {
		query := c.Request.URL.Query()
		query.Del("_format")
		t.conditional = len(query) > 0
	}
	return t, nil
}

func (s *server) single(c *gin.Context, d *delivery, st step) error {
	if st.kind == faulty {
		return &fhir.Invalid{Issues: st.faults}
	}
	steps := []step{st}
	if d.forbid(steps) {
		return refusal(http.StatusForbidden, "forbidden", "", "the access token has no scope for this")
	}
	if _, err := s.compare(c.Request.Context(), d, steps, false); err != nil {
		return err
	}
	if err := s.accept(c.Request.Context(), d, steps, false); err != nil {
		return err
	}
	if a := steps[0].answer; a.status >= http.StatusBadRequest {
		d.refused = a.issues
	}
	s.answerSingle(c, steps[0].answer)
	return nil
}
