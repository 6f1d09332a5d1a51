package rest

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

// The bounds of a pause that a record may ask for.
const (
	minPause = time.Second
	maxPause = 15 * time.Minute
)

var (
	// ErrUnknownOutcome says that a write was sent and no readable answer came: it may have happened, may yet happen,
	// or not. Wait out Client.Timeout and look before writing again. It is a fault.Unavailable.
	ErrUnknownOutcome = fmt.Errorf("the outcome of a write is not known: %w", fault.Unavailable)
	// ErrNotAtomic says that the record carried a transaction out entry by entry, as a batch: some entries may have
	// failed, and references between entries may not have been resolved.
	ErrNotAtomic = errors.New("the record carried a transaction out as a batch")
	// ErrIncomplete says that a search answer goes on where this client does not go (another origin, or more pages than
	// allowed), so what was read must not be taken for everything. It is a fault.Refused.
	ErrIncomplete = fmt.Errorf("the search answer cannot be read to its end: %w", fault.Refused)
	// errBrokeOff says that the answer to a read ended too early.
	errBrokeOff = fmt.Errorf("the answer broke off: %w", fault.Unavailable)
	// ErrNoVersion says that an update lacks the version that it is based on; nothing was sent. It is a fault.Refused.
	ErrNoVersion = fmt.Errorf("no version to base an update on: %w", fault.Refused)
)

// Refused is an answer that says no, or a request that could not be sent at all (Status 0). It is fault.Unavailable
// where trying again may help and fault.Refused otherwise; a 404 or 410 is fault.NotFound as well.
type Refused struct {
	Status int
	// What is the resource type asked for, or "Bundle".
	What string
	// Code is the first issue's code of the OperationOutcome, "" where there is none.
	Code string
	// Retryable: 408, 409, 429, 5xx except 501, and requests that were not sent.
	Retryable bool
	// RetryAfter is what the record asked for, within 1 s and 15 min; 0 where it did not ask.
	RetryAfter time.Duration

	text string // of the outcome, for the client's own decisions; never shown
}

// Error names the type and the status, never the address or what the record wrote.
func (r *Refused) Error() string {
	if r.Status == 0 {
		return r.What + ": the record cannot be reached"
	}
	if r.Code != "" && codePattern(r.Code) {
		return fmt.Sprintf("%s: the record answered %d (%s)", r.What, r.Status, r.Code)
	}
	return fmt.Sprintf("%s: the record answered %d", r.What, r.Status)
}

// Unwrap gives the kinds.
func (r *Refused) Unwrap() []error {
	switch {
	case r.Retryable:
		return []error{fault.Unavailable}
	case r.Status == http.StatusNotFound || r.Status == http.StatusGone:
		return []error{fault.Refused, fault.NotFound}
	}
	return []error{fault.Refused}
}

// codePattern accepts what an issue-type code looks like, so that a code can never smuggle text into an error.
func codePattern(s string) bool {
	return len(s) <= 32 && strings.Trim(s, "abcdefghijklmnopqrstuvwxyz-") == ""
}

func (c *Client) refusal(q request, a answer) *Refused {
	r := &Refused{Status: a.status, What: q.what, RetryAfter: retryAfter(a.header.Get("Retry-After"), c.now())}
	switch {
	case a.status == http.StatusRequestTimeout, a.status == http.StatusConflict, a.status == http.StatusTooManyRequests,
		a.status >= 500 && a.status != http.StatusNotImplemented:
		r.Retryable = true
	}
	if gjson.ValidBytes(a.body) && gjson.GetBytes(a.body, "resourceType").String() == "OperationOutcome" {
		issue := gjson.GetBytes(a.body, "issue.0")
		r.Code = issue.Get("code").String()
		r.text = issue.Get("details.text").String() + " " + issue.Get("diagnostics").String()
	}
	return r
}

// saysUnsupported reports whether a 400 means "I cannot do that" rather than "what you sent is wrong".
func (r *Refused) saysUnsupported() bool {
	t := strings.ToLower(r.text)
	return r.Code == "not-supported" || strings.Contains(t, "not supported") || strings.Contains(t, "unsupported")
}

// transportFault sorts an error of the transport. Its text would hold the URL and may hold bytes of an answer, so only
// the kind is kept.
func (c *Client) transportFault(ctx context.Context, q request, err error) error {
	if q.write && !neverSent(err) {
		return unknown(ctx, q)
	}
	if ctx.Err() != nil {
		return fmt.Errorf("%s %s: %w", q.method, q.what, ctx.Err())
	}
	return &Refused{What: q.what, Retryable: true}
}

// cutFault sorts a successful answer whose body could not be read.
func (c *Client) cutFault(ctx context.Context, q request, err error) error {
	switch {
	case q.write:
		return unknown(ctx, q)
	case ctx.Err() != nil:
		return fmt.Errorf("%s %s: %w", q.method, q.what, ctx.Err())
	case errors.Is(err, errTooLong):
		return fmt.Errorf("%s: the answer is longer than allowed: %w", q.what, ErrIncomplete)
	}
	return fmt.Errorf("%s: %w", q.what, errBrokeOff)
}

func unknown(ctx context.Context, q request) error {
	if ctx.Err() != nil {
		return fmt.Errorf("%s %s: %w: %w", q.method, q.what, ErrUnknownOutcome, ctx.Err())
	}
	return fmt.Errorf("%s %s: %w", q.method, q.what, ErrUnknownOutcome)
}

// neverSent reports whether the connection was never made, so that a write cannot have happened. When in doubt: false.
func neverSent(err error) bool {
	if op, ok := errors.AsType[*net.OpError](err); ok && (op.Op == "dial" || op.Op == "proxyconnect") {
		return true
	}
	if _, ok := errors.AsType[*net.DNSError](err); ok {
		return true
	}
	_, ok := errors.AsType[*tls.CertificateVerificationError](err)
	return ok
}

// retryAfter reads a Retry-After header: seconds, an HTTP date, or, as some servers send it, (milli)seconds since 1970. The
// result lies within 1 s and 15 min; 0 means that there is none or that it cannot be read.
func retryAfter(value string, now time.Time) time.Duration {
	value = strings.TrimSpace(value)
	if value == "" {
		return 0
	}
	if n, err := strconv.ParseFloat(value, 64); err == nil {
		if n > 1e11 && n < 1e14 { // milliseconds of the years 1973 to 5138
			n /= 1000
		}
		if n > 1e9 {
			n -= float64(now.Unix())
		}
		return time.Duration(min(max(n, minPause.Seconds()), maxPause.Seconds()) * float64(time.Second))
	}
	if t, err := http.ParseTime(value); err == nil {
		return min(max(t.Sub(now), minPause), maxPause)
	}
	return 0
}
