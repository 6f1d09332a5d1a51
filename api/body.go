package api

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"dwellwatch/fhir"
)

const (
	fhirJSON  = "application/fhir+json; charset=utf-8"
	plainJSON = "application/json; charset=utf-8"
	ndjson    = "application/x-ndjson; charset=utf-8"
)

// readBody reads and unpacks the body, never more than the limit. Where the error concerns what was read (415), the bytes
// are given too, for the quarantine. An empty body needs no Content-Type.
func (s *server) readBody(w http.ResponseWriter, r *http.Request, lines bool) ([]byte, error) {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, s.BodyLimit))
	if err != nil {
		return nil, s.readFault(err)
	}
	switch encodingOf(r) {
	case "", "identity":
	case "gzip", "x-gzip":
		if body, err = s.unpack(body); err != nil {
			return nil, s.readFault(err)
		}
	default:
		return body, unsupported("Content-Encoding may be gzip or left out")
	}
	if len(bytes.TrimSpace(body)) == 0 {
		return nil, nil
	}
	return body, checkType(r.Header.Get("Content-Type"), lines)
}

func encodingOf(r *http.Request) string {
	return strings.ToLower(strings.TrimSpace(strings.Join(r.Header.Values("Content-Encoding"), ",")))
}

// unpack limits what comes out, so that a small body cannot become an endless one.
func (s *server) unpack(packed []byte) ([]byte, error) {
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	body, err := io.ReadAll(io.LimitReader(z, s.BodyLimit+1))
	if err != nil {
		return nil, err
	}
	if int64(len(body)) > s.BodyLimit {
		return nil, &http.MaxBytesError{Limit: s.BodyLimit}
	}
	return body, nil
}

// readFault says what was wrong with a body as a whole; "Resource" stands for whatever resource it was.
func (s *server) readFault(err error) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return unread(http.StatusRequestEntityTooLarge, fhir.Issue{Severity: "error", Code: "too-long", Expression: "Resource",
			Text: "a body may have " + strconv.FormatInt(s.BodyLimit, 10) + " bytes, unpacked; send it in parts"})
	}
	return unread(http.StatusBadRequest, fhir.Issue{Severity: "fatal", Code: "structure", Expression: "Resource",
		Text: "the body did not arrive whole, or is not gzip although Content-Encoding says so"})
}

func unsupported(text string) *problem {
	return unread(http.StatusUnsupportedMediaType, fhir.Issue{Severity: "error", Code: "not-supported", Text: text})
}

// checkType accepts the media types of FHIR JSON (http://hl7.org/fhir/R4/http.html#mime-type), the older
// application/json+fhir, and none at all; lines adds those of NDJSON.
func checkType(header string, lines bool) error {
	if strings.TrimSpace(header) == "" {
		return nil
	}
	media, params, err := mime.ParseMediaType(header)
	if err != nil {
		return unsupported("Content-Type cannot be read")
	}
	switch media {
	case "application/fhir+json", "application/json", "application/json+fhir":
	case "application/fhir+ndjson", "application/ndjson", "application/x-ndjson":
		if !lines {
			return unsupported("this route takes one FHIR JSON document, not NDJSON")
		}
	default:
		return unsupported("Content-Type must be application/fhir+json")
	}
	if charset := params["charset"]; charset != "" && !strings.EqualFold(charset, "utf-8") {
		return unsupported("FHIR JSON is UTF-8")
	}
	if v := params["fhirversion"]; v != "" && v != "4.0" && v != "4.0.1" {
		return unsupported("this service takes FHIR R4, fhirVersion 4.0")
	}
	return nil
}

// accepts reports whether the caller can read one of the given media types. _format overrides Accept
// (http://hl7.org/fhir/R4/http.html#parameters).
func accepts(r *http.Request, offered ...string) bool {
	if format := r.URL.Query().Get("_format"); format != "" {
		// A plus sign in a query means a space; callers write application/fhir+json unescaped.
		format = strings.ReplaceAll(format, " ", "+")
		media, _, err := mime.ParseMediaType(format)
		return err == nil && (media == "json" || media == "text/json" || slices.Contains(offered, media))
	}
	header := strings.Join(r.Header.Values("Accept"), ",")
	if strings.TrimSpace(header) == "" {
		return true
	}
	for _, part := range strings.Split(header, ",") {
		media, params, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		if q, err := strconv.ParseFloat(params["q"], 64); err == nil && q == 0 {
			continue
		}
		if media == "*/*" || media == "application/*" || slices.Contains(offered, media) {
			return true
		}
	}
	return false
}

// negotiate refuses a caller that cannot read FHIR JSON.
func negotiate(r *http.Request) error {
	if accepts(r, "application/fhir+json", "application/json", "application/json+fhir") {
		return nil
	}
	return refusal(http.StatusNotAcceptable, "not-supported", "", "this service answers in application/fhir+json")
}

// responseType gives plain JSON's media type to a caller that names it and not FHIR's own.
func responseType(r *http.Request) string {
	accept := strings.Join(r.Header.Values("Accept"), ",")
	if strings.Contains(accept, "application/json") && !strings.Contains(accept, "fhir") {
		return plainJSON
	}
	return fhirJSON
}
