// Package rest is the client for one FHIR R4 base URL: it reads, searches, creates, updates and sends transactions, and
// says of each failed write whether the record refused it or whether nobody knows. It repeats reads a little and never a
// write. It must never send the token to another origin, follow a link or redirect there, or put an address, an id or
// a body into an error text; it logs nothing.
package rest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"time"

	"dwellwatch/internal/fault"

	"github.com/hashicorp/go-retryablehttp"
)

const (
	defaultTimeout  = 30 * time.Second
	defaultMaxBody  = 32 << 20
	defaultMaxPages = 50
	maxRedirects    = 5
	maxBrokenReads  = 2 // answers that broke off after which a read is sent again
	mediaType       = "application/fhir+json"
	formType        = "application/x-www-form-urlencoded"
)

// Config says which record to talk to and how. Only BaseURL is needed.
type Config struct {
	// BaseURL is the FHIR base, e.g. https://record.example/fhir; http or https, without query or credentials.
	BaseURL string
	// Token is the bearer token; "" sends none.
	Token string
	// Renew gives a new token after a 401; it is asked once per request. nil: a 401 is final.
	Renew func(ctx context.Context) (string, error)
	// Tokens gets the tokens, in place of Token and Renew; nil for none.
	Tokens *Tokens
	// Timeout bounds each request with its answer; 0 means 30 s.
	Timeout time.Duration
	// HTTP gives transport and cookie jar; nil means the default transport. It is copied, never changed.
	HTTP *http.Client
	// MaxBody bounds an answer in bytes; 0 means 32 MiB.
	MaxBody int64
	// MaxPages bounds the pages of one search; 0 means 50.
	MaxPages int
	// Now is the clock for Retry-After given as a date; nil means time.Now.
	Now func() time.Time
}

// Client talks to one record. It is safe for use by several goroutines.
type Client struct {
	base     *url.URL // path without trailing slash
	writes   *http.Client
	reads    *retryablehttp.Client
	renew    func(ctx context.Context) (string, error)
	timeout  time.Duration
	maxBody  int64
	maxPages int
	now      func() time.Time

	tokens  *Tokens
	tokenMu sync.Mutex
	token   string
	// getSearch remembers the types that the record searches by GET only.
	getSearch sync.Map
}

// New checks the configuration and gives a client. It sends nothing. Its error never repeats the URL.
func New(cfg Config) (*Client, error) {
	base, err := url.Parse(cfg.BaseURL)
	if err != nil || (base.Scheme != "http" && base.Scheme != "https") || base.Host == "" {
		return nil, fmt.Errorf("the record's base URL must be an absolute http or https URL: %w", fault.Invalid)
	}
	if base.User != nil || base.RawQuery != "" || base.Fragment != "" {
		return nil, fmt.Errorf("the record's base URL must have no credentials, query or fragment: %w", fault.Invalid)
	}
	base.Path = strings.TrimRight(base.Path, "/")
	base.RawPath = strings.TrimRight(base.RawPath, "/")
	c := &Client{base: base, renew: cfg.Renew, token: cfg.Token, tokens: cfg.Tokens, timeout: cfg.Timeout, maxBody: cfg.MaxBody,
		maxPages: cfg.MaxPages, now: cfg.Now}
	if c.timeout <= 0 {
		c.timeout = defaultTimeout
	}
	if c.maxBody <= 0 {
		c.maxBody = defaultMaxBody
	}
	if c.maxPages <= 0 {
		c.maxPages = defaultMaxPages
	}
	if c.now == nil {
		c.now = time.Now
	}
	inner := http.Client{}
	if cfg.HTTP != nil {
		inner = *cfg.HTTP
	}
	inner.Timeout = c.timeout
	inner.CheckRedirect = c.checkRedirect
	c.writes = &inner
	c.reads = &retryablehttp.Client{HTTPClient: &inner, RetryMax: 2, RetryWaitMin: 100 * time.Millisecond,
		RetryWaitMax: time.Second, Backoff: c.quickBackoff, CheckRetry: c.quickRetry,
		ErrorHandler: retryablehttp.PassthroughErrorHandler}
	return c, nil
}

// Timeout gives the time after which a request that was sent can no longer be answered to this client.
func (c *Client) Timeout() time.Duration { return c.timeout }

// quickRetry repeats reads that met a passing trouble, unless the record asks for a longer pause than a reader can wait.
func (c *Client) quickRetry(ctx context.Context, resp *http.Response, err error) (bool, error) {
	if resp != nil && retryAfter(resp.Header.Get("Retry-After"), c.now()) > time.Second {
		return false, nil
	}
	return retryablehttp.DefaultRetryPolicy(ctx, resp, err)
}

// quickBackoff reads Retry-After as quickRetry does: the library's own takes seconds since 1970 for seconds to wait.
func (c *Client) quickBackoff(from, to time.Duration, attempt int, resp *http.Response) time.Duration {
	if resp != nil {
		if asked := retryAfter(resp.Header.Get("Retry-After"), c.now()); asked > 0 {
			return min(asked, to)
		}
	}
	return min(from<<attempt, to)
}

// checkRedirect follows a few redirects of a GET inside the base's origin. Every other redirect is the answer itself.
func (c *Client) checkRedirect(req *http.Request, via []*http.Request) error {
	if via[0].Method != http.MethodGet || len(via) > maxRedirects || !sameOrigin(req.URL, c.base) {
		return http.ErrUseLastResponse
	}
	return nil
}

// sameOrigin compares scheme, host and port.
func sameOrigin(a, b *url.URL) bool {
	return strings.EqualFold(a.Scheme, b.Scheme) && strings.EqualFold(a.Hostname(), b.Hostname()) && port(a) == port(b)
}

func port(u *url.URL) string {
	switch {
	case u.Port() != "":
		return u.Port()
	case strings.EqualFold(u.Scheme, "https"):
		return "443"
	}
	return "80"
}

// request is one exchange with the record. What names it in errors: a resource type or "Bundle".
type request struct {
	method, url, what string
	body              []byte
	bodyType          string
	header            http.Header
	write             bool
}

// answer is what came back, read to its end.
type answer struct {
	status int
	header http.Header
	body   []byte
}

func (c *Client) at(path string) string {
	if path == "" {
		return c.base.String()
	}
	return c.base.String() + "/" + path
}

// send carries one request out and reads the answer. An answer of status 300 or more is a *Refused. A write of which no
// readable answer came is ErrUnknownOutcome.
func (c *Client) send(ctx context.Context, q request) (answer, error) {
	token, err := c.currentToken(ctx)
	if err != nil {
		return answer{}, unsent(ctx, q, err)
	}
	a, err := c.whole(ctx, q, token)
	if err != nil || a.status != http.StatusUnauthorized || c.renew == nil && c.tokens == nil {
		return c.judge(q, a, err)
	}
	fresh, err := c.renewToken(ctx, token)
	if err != nil {
		return c.judge(q, a, nil)
	}
	a, err = c.whole(ctx, q, fresh)
	return c.judge(q, a, err)
}

// whole sends a read again whose answer broke off, and a write once.
func (c *Client) whole(ctx context.Context, q request, token string) (answer, error) {
	a, err := c.once(ctx, q, token)
	for range maxBrokenReads {
		if !errors.Is(err, errBrokeOff) {
			break
		}
		a, err = c.once(ctx, q, token)
	}
	return a, err
}

func (c *Client) judge(q request, a answer, err error) (answer, error) {
	if err != nil {
		return answer{}, err
	}
	if a.status >= 300 {
		return a, c.refusal(q, a)
	}
	return a, nil
}

func (c *Client) currentToken(ctx context.Context) (string, error) {
	if c.tokens != nil {
		return c.tokens.Token(ctx)
	}
	c.tokenMu.Lock()
	defer c.tokenMu.Unlock()
	return c.token, nil
}

// unsent sorts the error of a request that was not sent for want of a token: where the record gives none it is the record's refusal
// of us, as a 401 is.
func unsent(ctx context.Context, q request, err error) error {
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("%s %s: %w", q.method, q.what, ctx.Err())
	case errors.Is(err, fault.Refused):
		return &Refused{Status: http.StatusUnauthorized, What: q.what}
	}
	return &Refused{What: q.what, Retryable: true}
}

// renewToken asks for a new token unless another request has already brought one.
func (c *Client) renewToken(ctx context.Context, refused string) (string, error) {
	if c.tokens != nil {
		return c.tokens.Renew(ctx, refused)
	}
	c.tokenMu.Lock()
	defer c.tokenMu.Unlock()
	if c.token != refused {
		return c.token, nil
	}
	fresh, err := c.renew(ctx)
	if err != nil {
		return "", fmt.Errorf("no new token: %w", fault.Unavailable)
	}
	c.token = fresh
	return fresh, nil
}

func (c *Client) once(ctx context.Context, q request, token string) (answer, error) {
	if err := ctx.Err(); err != nil {
		return answer{}, fmt.Errorf("%s %s: %w", q.method, q.what, err)
	}
	req, err := retryablehttp.NewRequestWithContext(ctx, q.method, q.url, q.rawBody())
	if err != nil {
		return answer{}, fmt.Errorf("%s %s: request cannot be made: %w", q.method, q.what, fault.Invalid)
	}
	for name, values := range q.header {
		req.Header[name] = values
	}
	req.Header.Set("Accept", mediaType)
	if q.bodyType != "" {
		req.Header.Set("Content-Type", q.bodyType)
	}
	if token != "" && sameOrigin(req.URL, c.base) {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := c.do(req, q)
	if err != nil {
		return answer{}, c.transportFault(ctx, q, err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(io.LimitReader(resp.Body, c.maxBody+1))
	if err == nil && int64(len(body)) > c.maxBody {
		err = errTooLong
	}
	if err != nil && resp.StatusCode < 300 {
		return answer{}, c.cutFault(ctx, q, err)
	}
	return answer{resp.StatusCode, resp.Header, body}, nil
}

func (q request) rawBody() any {
	if q.body == nil {
		return nil
	}
	return q.body
}

// do sends a read through the repeating client and a write exactly once.
func (c *Client) do(req *retryablehttp.Request, q request) (*http.Response, error) {
	if !q.write {
		return c.reads.Do(req)
	}
	if q.body != nil {
		req.Body = io.NopCloser(strings.NewReader(string(q.body)))
	}
	req.GetBody = nil // the transport must not send a write twice either
	return c.writes.Do(req.Request)
}

var errTooLong = errors.New("answer too long")

var (
	typePattern = regexp.MustCompile(`^[A-Z][A-Za-z]{1,63}$`)
	idPattern   = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`)
)

// instance checks a type and an id before they become part of an address.
func instance(typ, id string) (string, error) {
	if !typePattern.MatchString(typ) {
		return "", fmt.Errorf("not a resource type: %w", fault.Invalid)
	}
	if !idPattern.MatchString(id) || strings.Trim(id, ".") == "" {
		return "", fmt.Errorf("%s: not a FHIR id: %w", typ, fault.Invalid)
	}
	return typ + "/" + id, nil
}
