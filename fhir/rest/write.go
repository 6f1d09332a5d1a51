package rest

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

// Written is the record's answer to a create or an update that it carried out.
type Written struct {
	// Existing: a conditional create found the resource and made none.
	Existing  bool
	Type, ID  string
	VersionID string // "" where the record did not say
	ETag      string // "" where the record did not say
	// Resource is what the record stored, nil where it did not send it.
	Resource json.RawMessage
}

// Create sends a new resource. ifNoneExist is a search ("identifier=system|value") under which the record makes none
// where one exists; "" creates always. 412 (*Refused) says that several exist.
func (c *Client) Create(ctx context.Context, resource []byte, ifNoneExist string) (Written, error) {
	r, ok := view(resource)
	if !ok || !typePattern.MatchString(r.Type) {
		return Written{}, fmt.Errorf("create: not a resource: %w", fault.Invalid)
	}
	header := http.Header{"Prefer": {"return=representation"}}
	if ifNoneExist != "" {
		header.Set("If-None-Exist", ifNoneExist)
	}
	q := request{method: http.MethodPost, url: c.at(r.Type), what: r.Type, body: resource, bodyType: mediaType,
		header: header, write: true}
	a, err := c.send(ctx, q)
	if err != nil {
		return Written{}, err
	}
	w, err := written(ctx, q, a)
	w.Existing = a.status == http.StatusOK
	return w, err
}

// Update replaces a resource that still has the version named by etag; 412 (*Refused) says that it has moved on, some
// records say 409. An empty etag is ErrNoVersion: this client never overwrites blindly.
func (c *Client) Update(ctx context.Context, resource []byte, etag string) (Written, error) {
	r, ok := view(resource)
	if !ok {
		return Written{}, fmt.Errorf("update: not a resource: %w", fault.Invalid)
	}
	path, err := instance(r.Type, r.ID)
	if err != nil {
		return Written{}, err
	}
	if etag == "" {
		return Written{}, fmt.Errorf("%s: %w", r.Type, ErrNoVersion)
	}
	q := request{method: http.MethodPut, url: c.at(path), what: r.Type, body: resource, bodyType: mediaType,
		header: http.Header{"Prefer": {"return=representation"}, "If-Match": {etag}}, write: true}
	a, err := c.send(ctx, q)
	if err != nil {
		return Written{}, err
	}
	w, err := written(ctx, q, a)
	if err == nil && w.ID == "" {
		w.ID = r.ID
	}
	return w, err
}

// written reads the answer to a single write: body, Location and ETag, whichever came. 202 is no outcome, and neither is
// a body that cannot be read.
func written(ctx context.Context, q request, a answer) (Written, error) {
	if a.status == http.StatusAccepted {
		return Written{}, unknown(ctx, q)
	}
	w := Written{Type: q.what}
	if len(strings.TrimSpace(string(a.body))) > 0 {
		r, ok := view(a.body)
		switch {
		case ok && r.Type == q.what && r.ID != "":
			w.ID, w.VersionID, w.Resource = r.ID, r.VersionID, r.Raw
		case ok && r.Type == "OperationOutcome":
		default:
			return Written{}, unknown(ctx, q)
		}
	}
	for _, name := range []string{"Location", "Content-Location"} {
		id, version := location(a.header.Get(name), q.what)
		if w.ID == "" {
			w.ID = id
		}
		if w.VersionID == "" && id == w.ID {
			w.VersionID = version
		}
	}
	w.ETag = etag(a.header, w.VersionID)
	if w.VersionID == "" {
		w.VersionID = strings.Trim(strings.TrimPrefix(w.ETag, "W/"), `"`)
	}
	if w.ID == "" && q.method == http.MethodPost {
		return Written{}, unknown(ctx, q)
	}
	return w, nil
}

// location reads id and version from "[base/]Type/id[/_history/version]"; an address of another type gives nothing.
func location(address, typ string) (id, version string) {
	parts := strings.Split(strings.TrimRight(address, "/"), "/")
	if n := len(parts); n >= 4 && parts[n-2] == "_history" {
		parts, version = parts[:n-2], parts[n-1]
	}
	if n := len(parts); n >= 2 && parts[n-2] == typ && idPattern.MatchString(parts[n-1]) {
		return parts[n-1], version
	}
	return "", ""
}

// EntryResponse is what became of one entry of a transaction.
type EntryResponse struct {
	Status int
	Written
}

// OK reports whether the entry was carried out.
func (e EntryResponse) OK() bool { return e.Status >= 200 && e.Status < 300 }

// Transact sends a transaction Bundle whose entries all name their type in request.url, and gives the answers in the
// order of the entries. ErrNotAtomic comes with the answers; every other error without.
func (c *Client) Transact(ctx context.Context, bundle []byte) ([]EntryResponse, error) {
	sent := gjson.GetBytes(bundle, "entry").Array()
	if !gjson.ValidBytes(bundle) || gjson.GetBytes(bundle, "type").String() != "transaction" || len(sent) == 0 {
		return nil, fmt.Errorf("transact: not a transaction Bundle: %w", fault.Invalid)
	}
	q := request{method: http.MethodPost, url: c.at(""), what: "Bundle", body: bundle, bodyType: mediaType,
		header: http.Header{"Prefer": {"return=representation"}}, write: true}
	a, err := c.send(ctx, q)
	if err != nil {
		return nil, err
	}
	g := gjson.ParseBytes(a.body)
	entries := g.Get("entry").Array()
	if !gjson.ValidBytes(a.body) || g.Get("resourceType").String() != "Bundle" || len(entries) != len(sent) {
		return nil, unknown(ctx, q)
	}
	atomic := g.Get("type").String() == "transaction-response"
	out := make([]EntryResponse, len(entries))
	for i, e := range entries {
		out[i] = entryResponse(sent[i], e)
		atomic = atomic && out[i].OK()
	}
	if !atomic {
		return out, ErrNotAtomic
	}
	return out, nil
}

func entryResponse(sent, got gjson.Result) EntryResponse {
	typ, _, _ := strings.Cut(sent.Get("request.url").String(), "/")
	typ, _, _ = strings.Cut(typ, "?")
	status := strings.TrimSpace(got.Get("response.status").String())
	code, _ := strconv.Atoi(status[:min(3, len(status))])
	r := EntryResponse{Status: code, Written: Written{Type: typ, Existing: code == http.StatusOK}}
	r.ID, r.VersionID = location(got.Get("response.location").String(), typ)
	if res := got.Get("resource"); res.Get("resourceType").String() == typ && res.Get("id").String() != "" {
		r.ID, r.Resource = res.Get("id").String(), json.RawMessage(res.Raw)
		if v := res.Get("meta.versionId").String(); v != "" {
			r.VersionID = v
		}
	}
	r.ETag = etag(http.Header{"Etag": {got.Get("response.etag").String()}}, r.VersionID)
	if r.VersionID == "" {
		r.VersionID = strings.Trim(strings.TrimPrefix(r.ETag, "W/"), `"`)
	}
	return r
}
