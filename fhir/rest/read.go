package rest

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"encoding/json"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

// Read gives the current version of one resource and its ETag (made from meta.versionId where the header is missing; ""
// where there is neither). A resource that is not there or was deleted is fault.NotFound.
func (c *Client) Read(ctx context.Context, typ, id string) (fhir.Resource, string, error) {
	path, err := instance(typ, id)
	if err != nil {
		return fhir.Resource{}, "", err
	}
	a, err := c.send(ctx, request{method: http.MethodGet, url: c.at(path), what: typ})
	if err != nil {
		return fhir.Resource{}, "", err
	}
	r, ok := view(a.body)
	if !ok || r.Type != typ || r.ID != id {
		return fhir.Resource{}, "", fmt.Errorf("%s: the answer is not the resource asked for: %w", typ, fault.Unavailable)
	}
	return r, etag(a.header, r.VersionID), nil
}

// view reads who a resource is; ok is false where the bytes are no resource.
func view(body []byte) (fhir.Resource, bool) {
	if !gjson.ValidBytes(body) {
		return fhir.Resource{}, false
	}
	g := gjson.ParseBytes(body)
	r := fhir.Resource{Type: g.Get("resourceType").String(), ID: g.Get("id").String(),
		VersionID: g.Get("meta.versionId").String(), Raw: body}
	if t, err := time.Parse(time.RFC3339Nano, g.Get("meta.lastUpdated").String()); err == nil {
		r.LastUpdated = t
	}
	return r, r.Type != ""
}

// ETagOf gives the weak entity tag of a version id, "" for none (http.html#versioning: ETag W/"versionId").
func ETagOf(versionID string) string {
	if versionID == "" {
		return ""
	}
	return `W/"` + versionID + `"`
}

// etag prefers a well-formed header: servers were seen to ignore an unquoted If-Match and overwrite.
func etag(h http.Header, versionID string) string {
	tag := strings.TrimSpace(h.Get("ETag"))
	if inner := strings.TrimPrefix(tag, "W/"); len(inner) > 2 && inner[0] == '"' && inner[len(inner)-1] == '"' {
		return tag
	}
	if tag != "" && !strings.ContainsAny(tag, `"*`) {
		return ETagOf(tag)
	}
	return ETagOf(versionID)
}

// Search gives the resources of one type that the record finds, at most limit of them (0: all). It asks by POST, so that
// ids stay out of access logs, and by GET where the record does not take that. Resources of other types, includes and
// outcomes are left out. What the record finds need not fit the query: check every hit. ErrIncomplete says that there is
// more than could be read; what was read comes with it.
func (c *Client) Search(ctx context.Context, typ string, query url.Values, limit int) ([]json.RawMessage, error) {
	if !typePattern.MatchString(typ) {
		return nil, fmt.Errorf("not a resource type: %w", fault.Invalid)
	}
	form := url.Values{}
	for name, values := range query {
		form[name] = values
	}
	if limit > 0 && !form.Has("_count") {
		form.Set("_count", strconv.Itoa(min(limit, 100)))
	}
	a, err := c.firstPage(ctx, typ, form)
	if err != nil {
		return nil, err
	}
	var hits []json.RawMessage
	seen := map[string]bool{}
	at, err := url.Parse(c.at(typ))
	if err != nil {
		return nil, fmt.Errorf("%s: request cannot be made: %w", typ, fault.Invalid)
	}
	for page := 1; ; page++ {
		found, next, err := readPage(typ, a.body)
		if err != nil {
			return nil, err
		}
		hits = append(hits, found...)
		if limit > 0 && len(hits) >= limit {
			return hits[:limit], nil
		}
		if next == "" {
			return hits, nil
		}
		link, err := at.Parse(next)
		if err != nil || link.User != nil || !sameOrigin(link, c.base) {
			return hits, fmt.Errorf("%s: the next page is at another origin: %w", typ, ErrIncomplete)
		}
		address := next // verbatim: escaping belongs to the server
		if !strings.Contains(next, "://") {
			address = link.String()
		}
		if seen[address] {
			return hits, fmt.Errorf("%s: the next page is one that was read: %w", typ, ErrIncomplete)
		}
		if page >= c.maxPages {
			return hits, fmt.Errorf("%s: more pages than allowed: %w", typ, ErrIncomplete)
		}
		seen[address] = true
		if a, err = c.send(ctx, request{method: http.MethodGet, url: address, what: typ}); err != nil {
			return nil, err
		}
		at = link
	}
}

// firstPage asks by POST until the record has shown that it takes only GET for this type.
func (c *Client) firstPage(ctx context.Context, typ string, form url.Values) (answer, error) {
	get := request{method: http.MethodGet, url: c.at(typ) + "?" + form.Encode(), what: typ}
	if _, only := c.getSearch.Load(typ); only {
		return c.send(ctx, get)
	}
	a, err := c.send(ctx, request{method: http.MethodPost, url: c.at(typ + "/_search"), what: typ,
		body: []byte(form.Encode()), bodyType: formType})
	refused, ok := errors.AsType[*Refused](err)
	if !ok {
		return a, err
	}
	switch refused.Status {
	case http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusUnsupportedMediaType:
	case http.StatusBadRequest:
		if !refused.saysUnsupported() {
			return a, err
		}
	default:
		return a, err
	}
	if a, err = c.send(ctx, get); err == nil {
		c.getSearch.Store(typ, true)
	}
	return a, err
}

// readPage gives the matches of one page and its next link.
func readPage(typ string, body []byte) ([]json.RawMessage, string, error) {
	g := gjson.ParseBytes(body)
	if !gjson.ValidBytes(body) || g.Get("resourceType").String() != "Bundle" {
		return nil, "", fmt.Errorf("%s: the answer is no Bundle: %w", typ, fault.Unavailable)
	}
	var hits []json.RawMessage
	for _, e := range g.Get("entry").Array() {
		mode := e.Get("search.mode").String()
		if mode == "include" || mode == "outcome" || e.Get("resource.resourceType").String() != typ {
			continue
		}
		hits = append(hits, json.RawMessage(e.Get("resource").Raw))
	}
	for _, l := range g.Get("link").Array() {
		if l.Get("relation").String() == "next" {
			return hits, l.Get("url").String(), nil
		}
	}
	return hits, "", nil
}

// Support says whether the record can do something.
type Support string

const (
	SupportUnknown Support = "unknown"
	SupportYes     Support = "yes"
	SupportNo      Support = "no"
)

// Capabilities is what the record says of itself.
type Capabilities struct{ Transactions Support }

// Capabilities reads the record's CapabilityStatement. What cannot be read is unknown, not an error: many records say
// less, or more, than is true. The only error is the context's.
func (c *Client) Capabilities(ctx context.Context) (Capabilities, error) {
	found := Capabilities{Transactions: SupportUnknown}
	a, err := c.send(ctx, request{method: http.MethodGet, url: c.at("metadata"), what: "CapabilityStatement"})
	if err != nil || !gjson.ValidBytes(a.body) {
		return found, ctx.Err()
	}
	for _, r := range gjson.GetBytes(a.body, "rest").Array() {
		list := r.Get("interaction")
		if mode := r.Get("mode").String(); (mode != "server" && mode != "") || !list.IsArray() {
			continue
		}
		found.Transactions = SupportNo
		for _, i := range list.Array() {
			if i.Get("code").String() == "transaction" {
				found.Transactions = SupportYes
				return found, nil
			}
		}
	}
	return found, nil
}
