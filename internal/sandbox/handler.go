package sandbox

import (
	"errors"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/tidwall/gjson"
)

// maxBody is the largest request body in bytes.
const maxBody = 16 << 20

// Handler gives the FHIR interface of the record, with its base at the root of the handler.
func (r *Record) Handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, h := range map[string]func(*call) error{
		"GET /metadata":                       r.metadata,
		"POST /{$}":                           r.bundle,
		"GET /{$}":                            r.page,
		"GET /{type}":                         r.searchByGet,
		"POST /{type}/_search":                r.searchByPost,
		"POST /{type}":                        r.create,
		"GET /{type}/{id}":                    r.read,
		"GET /{type}/{id}/_history/{version}": r.read,
		"PUT /{type}/{id}":                    r.update,
		"DELETE /{type}/{id}":                 r.remove,
		"/": func(*call) error {
			return refuse(http.StatusNotFound, "not-supported", "the sandbox does not do this")
		},
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, req *http.Request) {
			c := &call{w: w, req: req, base: r.base(req)}
			if err := h(c); err != nil {
				status, body := asRefusal(err)
				c.send(status, body)
			}
		})
	}
	return mux
}

// call is one request and its answer.
type call struct {
	w    http.ResponseWriter
	req  *http.Request
	base string
}

func (r *Record) base(req *http.Request) string {
	if r.baseURL != "" {
		return r.baseURL
	}
	return "http://" + req.Host
}

// typ gives the resource type in the path.
func (c *call) typ() (string, error) {
	if t := c.req.PathValue("type"); known(t) {
		return t, nil
	}
	return "", refuse(http.StatusNotFound, "not-supported", "the sandbox does not hold this resource type")
}

// key gives the resource that the path names.
func (c *call) key() (key, error) {
	typ, err := c.typ()
	if err == nil && !validID(c.req.PathValue("id")) {
		err = refuse(http.StatusBadRequest, "invalid", "the id in the URL is not a FHIR id")
	}
	return key{typ, c.req.PathValue("id")}, err
}

// body reads the request's body, which must say that it is JSON.
func (c *call) body() ([]byte, error) {
	if t := c.req.Header.Get("Content-Type"); !strings.Contains(t, "json") {
		return nil, refuse(http.StatusUnsupportedMediaType, "not-supported", "the sandbox reads application/fhir+json only")
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.w, c.req.Body, maxBody))
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return nil, refuse(http.StatusRequestEntityTooLarge, "too-long", "the body is too large")
	}
	if err != nil {
		return nil, refuse(http.StatusBadRequest, "incomplete", "the body ended early")
	}
	return body, nil
}

func (c *call) send(status int, body []byte) {
	c.w.Header().Set("Content-Type", "application/fhir+json; charset=utf-8")
	c.w.WriteHeader(status)
	_, _ = c.w.Write(body) // the client has gone: nobody is left to tell
}

// sendEntry answers with a resource, or with its headers alone where the client prefers so.
func (c *call) sendEntry(status int, e entry) error {
	h := c.w.Header()
	h.Set("ETag", e.etag())
	h.Set("Last-Modified", e.updated.UTC().Format(http.TimeFormat))
	if c.req.Method != http.MethodGet {
		h.Set("Location", location(e, c.base))
		if strings.Contains(c.req.Header.Get("Prefer"), "return=minimal") {
			c.w.WriteHeader(status)
			return nil
		}
	}
	c.send(status, e.body)
	return nil
}

func (r *Record) read(c *call) error {
	k, err := c.key()
	if err != nil {
		return err
	}
	var e entry
	err = r.do(func(v *view) (err error) {
		e, err = v.read(k)
		return err
	})
	if err != nil {
		return err
	}
	if version := c.req.PathValue("version"); version != "" && version != strconv.Itoa(e.version) {
		return refuse(http.StatusNotFound, "not-found", "the sandbox keeps the current version only")
	}
	return c.sendEntry(http.StatusOK, e)
}

func (r *Record) create(c *call) error {
	typ, err := c.typ()
	if err != nil {
		return err
	}
	return r.store(c, &operation{method: http.MethodPost, typ: typ, ifNoneExist: c.req.Header.Get("If-None-Exist")})
}

// update is also update-as-create.
func (r *Record) update(c *call) error {
	k, err := c.key()
	if err != nil {
		return err
	}
	return r.store(c, &operation{method: http.MethodPut, typ: k.typ, id: k.id, ifMatch: c.req.Header.Get("If-Match")})
}

func (r *Record) store(c *call, o *operation) (err error) {
	if o.body, err = c.body(); err != nil {
		return err
	}
	if err := resource(o.body, o.typ, o.id); err != nil {
		return err
	}
	err = r.do(func(v *view) error {
		if err := v.identify(o, c.base); err != nil || o.answer.status != 0 {
			return err
		}
		return v.store(o)
	})
	if err != nil {
		return err
	}
	return c.sendEntry(o.answer.status, o.answer.entry)
}

func (r *Record) remove(c *call) error {
	k, err := c.key()
	if err != nil {
		return err
	}
	if err := r.do(func(v *view) error { return v.remove(k, c.req.Header.Get("If-Match")) }); err != nil {
		return err
	}
	c.w.WriteHeader(http.StatusNoContent)
	return nil
}

func (r *Record) searchByGet(c *call) error { return r.answerSearch(c, c.req.URL.RawQuery) }

func (r *Record) searchByPost(c *call) error {
	if !strings.HasPrefix(c.req.Header.Get("Content-Type"), "application/x-www-form-urlencoded") {
		return refuse(http.StatusUnsupportedMediaType, "not-supported", "_search reads a form only")
	}
	form, err := io.ReadAll(http.MaxBytesReader(c.w, c.req.Body, 1<<20))
	if err != nil {
		return refuse(http.StatusBadRequest, "incomplete", "the form cannot be read")
	}
	return r.answerSearch(c, strings.Trim(string(form)+"&"+c.req.URL.RawQuery, "&"))
}

func (r *Record) answerSearch(c *call, conditions string) error {
	typ, err := c.typ()
	if err != nil {
		return err
	}
	params, err := url.ParseQuery(conditions)
	if err != nil {
		return refuse(http.StatusBadRequest, "invalid", "the search cannot be read")
	}
	q, err := parseQuery(typ, params, c.base, strings.Contains(c.req.Header.Get("Prefer"), "handling=strict"))
	if err != nil {
		return err
	}
	c.send(http.StatusOK, r.search(q, c.base))
	return nil
}

func (r *Record) page(c *call) error {
	body, err := r.nextPage(c.req.URL.Query(), c.base)
	if err == nil {
		c.send(http.StatusOK, body)
	}
	return err
}

func (r *Record) bundle(c *call) error {
	body, err := c.body()
	if err != nil {
		return err
	}
	if !gjson.ValidBytes(body) {
		return refuse(http.StatusBadRequest, "structure", "the body is not JSON")
	}
	answer, err := r.transact(gjson.ParseBytes(body), c.base, false)
	if err == nil {
		c.send(http.StatusOK, answer)
	}
	return err
}
