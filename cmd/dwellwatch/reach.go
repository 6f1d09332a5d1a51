package main

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strconv"
	"sync"
	"time"
)

// warnEvery bounds how often a record that stays away is told in the log.
const warnEvery = time.Minute

// reach watches every request to the record and knows whether the last one was answered. It must never log an address.
type reach struct {
	next http.RoundTripper
	now  func() time.Time
	log  *slog.Logger

	mu       sync.Mutex
	tried    bool
	up       bool
	answered time.Time // the last good answer; zero before the first
	warned   time.Time
	told     bool // the log says that the record is away
}

func newReach(next http.RoundTripper, now func() time.Time, log *slog.Logger) *reach {
	return &reach{next: next, now: now, log: log}
}

// RoundTrip sends the request on and notes what came of it. A request that was called off says nothing about the record.
func (r *reach) RoundTrip(req *http.Request) (*http.Response, error) {
	resp, err := r.next.RoundTrip(req)
	switch {
	case err != nil && errors.Is(req.Context().Err(), context.Canceled):
	case err != nil && errors.Is(req.Context().Err(), context.DeadlineExceeded):
		r.away(req.Context(), "no answer in time")
	case err != nil:
		r.away(req.Context(), "no connection, or it broke")
	case gateway(resp.StatusCode):
		r.away(req.Context(), "status "+strconv.Itoa(resp.StatusCode))
	default:
		r.here(req.Context())
	}
	return resp, err
}

// gateway reports a status with which a proxy, or the record itself, says that the record is not there to answer. Any
// other status is an answer, be it a refusal (RFC 9110, 15.6.3 to 15.6.5).
func gateway(status int) bool {
	return status == http.StatusBadGateway || status == http.StatusServiceUnavailable || status == http.StatusGatewayTimeout
}

func (r *reach) away(ctx context.Context, cause string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.tried, r.up = true, false
	if now := r.now(); r.warned.IsZero() || now.Sub(r.warned) >= warnEvery {
		r.warned, r.told = now, true
		r.log.WarnContext(ctx, "the record cannot be reached; what is to be read or written waits", "cause", cause)
	}
}

func (r *reach) here(ctx context.Context) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.tried, r.up, r.answered = true, true, r.now()
	if r.told {
		r.told = false
		r.log.InfoContext(ctx, "the record answers again")
	}
}

// state tells whether the record was ever asked, whether the last request was answered, and how long ago the last good
// answer came; ever is false before the first.
func (r *reach) state() (tried, up, ever bool, since time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.answered.IsZero() {
		return r.tried, r.up, false, 0
	}
	return r.tried, r.up, true, max(0, r.now().Sub(r.answered))
}
