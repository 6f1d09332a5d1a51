package cdshooks

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"

	"github.com/gin-gonic/gin"
)

const plainJSON = "application/json; charset=utf-8"

// problem is an error that already knows its answer.
type problem struct {
	status int
	issues []fhir.Issue
}

func (p *problem) Error() string { return fmt.Sprintf("%d %s", p.status, http.StatusText(p.status)) }

// wrong is a refusal; expression is the path of the member in the request.
func wrong(status int, code, expression, text string) *problem {
	return &problem{status, []fhir.Issue{{Severity: "error", Code: code, Expression: expression, Text: text}}}
}

// problemOf turns any error into its answer. Texts of errors are never repeated to a caller.
func problemOf(err error) *problem {
	var p *problem
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, fault.Unavailable):
		return wrong(http.StatusServiceUnavailable, "transient", "", "the service cannot do this now; ask again later")
	}
	return &problem{http.StatusInternalServerError, []fhir.Issue{{Severity: "fatal", Code: "exception", Text: "something went wrong inside the service"}}}
}

// refuse writes the answer to an error: an OperationOutcome as plain JSON, as CDS Hooks 3.0 recommends.
func (s *Service) refuse(c *gin.Context, err error) {
	p := problemOf(err)
	if p.status >= http.StatusInternalServerError {
		s.Log.Error("request failed", "route", c.FullPath(), "status", p.status, "kind", kind(err))
	}
	if p.status == http.StatusServiceUnavailable {
		c.Header("Retry-After", "30")
	}
	c.Data(p.status, plainJSON, fhir.Outcome(p.issues...))
	c.Abort()
}

// kind describes an error without its text, which may repeat what a library was given.
func kind(err error) string {
	for next := errors.Unwrap(err); next != nil; next = errors.Unwrap(err) {
		err = next
	}
	return fmt.Sprintf("%T", err)
}

// body reads and unpacks the body, never more than the limit.
func (s *Service) body(c *gin.Context) ([]byte, error) {
	read := func(r io.Reader) ([]byte, error) {
		body, err := io.ReadAll(io.LimitReader(r, s.BodyLimit+1))
		if int64(len(body)) > s.BodyLimit {
			return nil, wrong(http.StatusRequestEntityTooLarge, "too-long", "", "a body may have "+strconv.FormatInt(s.BodyLimit, 10)+" bytes, unpacked")
		}
		if err != nil {
			return nil, wrong(http.StatusBadRequest, "structure", "", "the body did not arrive whole, or is not gzip although Content-Encoding says so")
		}
		return body, nil
	}
	if err := checkType(c.GetHeader("Content-Type")); err != nil {
		return nil, err
	}
	body, err := read(c.Request.Body)
	if err != nil {
		return nil, err
	}
	switch strings.ToLower(strings.TrimSpace(c.GetHeader("Content-Encoding"))) {
	case "", "identity":
		return body, nil
	case "gzip", "x-gzip":
		z, err := gzip.NewReader(bytes.NewReader(body))
		if err != nil {
			return nil, wrong(http.StatusBadRequest, "structure", "", "the body is not gzip although Content-Encoding says so")
		}
		return read(z)
	}
	return nil, wrong(http.StatusUnsupportedMediaType, "not-supported", "", "Content-Encoding may be gzip or left out")
}

// checkType accepts JSON, FHIR's own name for it, and none at all.
func checkType(header string) error {
	if strings.TrimSpace(header) == "" {
		return nil
	}
	media, params, err := mime.ParseMediaType(header)
	if err != nil || media != "application/json" && media != "application/fhir+json" {
		return wrong(http.StatusUnsupportedMediaType, "not-supported", "", "Content-Type must be application/json")
	}
	if charset := params["charset"]; charset != "" && !strings.EqualFold(charset, "utf-8") {
		return wrong(http.StatusUnsupportedMediaType, "not-supported", "", "JSON is UTF-8")
	}
	return nil
}
