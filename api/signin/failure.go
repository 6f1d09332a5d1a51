package signin

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"

	"dwellwatch/internal/fault"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// What the person is told of a sign-in that did not succeed.
var (
	errNoRole = errors.New("the provider gives this person no role")
	errDenied = errors.New("the provider's answer is no good")
)

// failure is why a sign-in did not succeed, for those who run the service: words of ours, and the option that is most likely wrong. It
// holds nothing of a token and nothing of a person.
type failure struct {
	told    error // errNoRole, errDenied or fault.Unavailable
	cause   string
	setting string // "" where no setting mends it
}

func (f *failure) Error() string { return f.told.Error() + ": " + f.cause }

func (f *failure) Unwrap() error { return f.told }

func denied(cause, setting string) error { return &failure{errDenied, cause, setting} }

// hearing notes the status of the last answer.
type hearing struct {
	http.RoundTripper
	status atomic.Int64
}

func (h *hearing) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := h.RoundTripper.RoundTrip(r)
	if err == nil {
		h.status.Store(int64(resp.StatusCode))
	}
	return resp, err
}

// undiscovered says why the provider's discovery document is no good.
func undiscovered(err error, heard *hearing) error {
	f := &failure{fault.Unavailable, "discovery: no answer", "oidc-issuer"}
	var other *oidc.IssuerMismatchError
	switch status := heard.status.Load(); {
	case errors.As(err, &other):
		f.cause = "discovery: the document names another issuer"
	case status == http.StatusOK:
		f.cause = "discovery: the document cannot be read"
	case status != 0:
		f.cause = "discovery: answered " + strconv.FormatInt(status, 10)
	}
	return f
}

// unexchanged says why the provider gave no token for a code.
func unexchanged(err error) error {
	var refused *oauth2.RetrieveError
	if !errors.As(err, &refused) || refused.Response == nil {
		return &failure{fault.Unavailable, "exchange: no answer", "oidc-issuer"}
	}
	cause := "exchange: answered " + strconv.Itoa(refused.Response.StatusCode) + word(refused.ErrorCode)
	switch {
	case refused.Response.StatusCode >= http.StatusInternalServerError:
		return &failure{fault.Unavailable, cause, ""}
	case refused.ErrorCode == "invalid_client" || refused.ErrorCode == "unauthorized_client" || refused.Response.StatusCode == http.StatusUnauthorized:
		return denied(cause, "oidc-client-secret")
	}
	return denied(cause, "oidc-client-id")
}

// unverified says why an ID token does not count.
func unverified(err error) error {
	var late *oidc.TokenExpiredError
	if errors.As(err, &late) {
		return denied("the token has expired, or the clocks differ", "")
	}
	// The library has words for the rest, which repeat what the token says.
	for part, f := range map[string][2]string{
		"issued by a different provider": {"the token is of another issuer", "oidc-issuer"},
		"expected audience":              {"the token is for another client", "oidc-client-id"},
		"fetching keys":                  {"the provider's keys cannot be read", "oidc-issuer"},
	} {
		if strings.Contains(err.Error(), part) {
			return denied(f[0], f[1])
		}
	}
	return denied("the token is not valid", "oidc-issuer")
}

// word gives an error code of OAuth with a blank before it; "" where it is no such word (RFC 6749 section 5.2).
func word(code string) string {
	if code == "" || len(code) > 40 || strings.ContainsFunc(code, func(r rune) bool { return r != '_' && (r < 'a' || r > 'z') }) {
		return ""
	}
	return " " + code
}
