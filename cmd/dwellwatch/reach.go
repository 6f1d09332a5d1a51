package main

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strconv"
	"sync"
	"time"

	"dwellwatch/fhir/rest"
)

// warnEvery bounds how often a record that stays away is told in the log.
const warnEvery = time.Minute

// reach watches every request to the record and knows whether the last one was answered and whether the record accepts our
// token. It must never log an address.
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

	renews        bool // a token that is refused is replaced by another, which is asked for once
	once          bool // such a token was refused, and nothing has been answered since
	refused       bool // the record does not accept our token
	refusedAt     time.Time
	refusedWarned time.Time
	refusedTold   bool // the log says so
}

func newReach(next http.RoundTripper, now func() time.Time, log *slog.Logger) *reach {
	return &reach{next: next, now: now, log: log}
}

// RoundTrip sends the request on and notes what came of it. A request that was called off says nothing about the record.
func (r *reach) RoundTrip(req *http.Request) (*http.Response, error) {
	asked := r.now()
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
		r.here(req.Context(), asked, resp.StatusCode, req.Header.Get("Authorization") != "")
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

// here notes an answer. A 401 refuses our token; a 403 may be about one type only, so it does where the record has given no
// good answer for a minute (RFC 9110, 15.5.2 and 15.5.4).
//
// What was asked before the token was refused and is answered well after it says nothing of now.
func (r *reach) here(ctx context.Context, asked time.Time, status int, token bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.now()
	r.tried, r.up = true, true
	if r.told {
		r.told = false
		r.log.InfoContext(ctx, "the record answers again")
	}
	switch {
	case status == http.StatusForbidden && !r.answered.IsZero() && now.Sub(r.answered) < warnEvery:
	case status == http.StatusUnauthorized && r.renews && !r.once:
		r.once = true // its time was over early; the next answer tells
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		r.refuse(ctx, now, status, token)
	case r.refused && !asked.After(r.refusedAt):
		r.answered = now
	default:
		r.answered, r.refused, r.once = now, false, false
		if r.refusedTold {
			r.refusedTold = false
			r.log.InfoContext(ctx, "the record accepts the token again")
		}
	}
}

// refuse notes that the token is not accepted, and warns of it when it begins and once a minute.
func (r *reach) refuse(ctx context.Context, now time.Time, status int, token bool) {
	text := "the record does not accept the token; what is to be read or written waits"
	if !token {
		text = "the record does not accept requests without a token, and none is set; what is to be read or written waits"
	}
	option := "record-token"
	if r.renews {
		option = "record-client-id"
	}
	r.refuseAs(ctx, now, text, status, option)
}

// refuseAs is refuse in the words of text, which names the setting to look at.
func (r *reach) refuseAs(ctx context.Context, now time.Time, text string, status int, option string) {
	r.refused, r.refusedAt = true, now
	if !r.refusedWarned.IsZero() && now.Sub(r.refusedWarned) < warnEvery {
		return
	}
	r.refusedWarned, r.refusedTold = now, true
	r.log.WarnContext(ctx, text, "status", status, "setting", setting(option))
}

// reached is what is known of the record.
type reached struct {
	Tried   bool          // it was asked at least once
	Up      bool          // the last request was answered
	Refused bool          // it does not accept our token
	Ever    bool          // a good answer has come
	Since   time.Duration // time since the last good answer
}

func (r *reach) state() reached {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := reached{Tried: r.tried, Up: r.up, Refused: r.refused}
	if !r.answered.IsZero() {
		out.Ever, out.Since = true, max(0, r.now().Sub(r.answered))
	}
	return out
}

// tokenRefused reports that the record answered that it does not accept our token.
func tokenRefused(err error) bool {
	var refused *rest.Refused
	return errors.As(err, &refused) && refused.Status == http.StatusUnauthorized
}
