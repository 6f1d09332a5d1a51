package sandbox

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
)

// maxPages is how many searches are remembered for their later pages; the oldest go first.
const maxPages = 200

// pages remembers the answers of searches that did not fit on one page, so that later pages neither miss nor repeat what
// changes meanwhile, and so that no link carries a search value.
type pages struct {
	byToken map[string]pageSet
	order   []string
}

type pageSet struct {
	hits  []entry
	count int
	self  string
}

func (p *pages) keep(s pageSet) string {
	if p.byToken == nil {
		p.byToken = map[string]pageSet{}
	}
	token := newID()
	p.byToken[token] = s
	p.order = append(p.order, token)
	if len(p.order) > maxPages {
		delete(p.byToken, p.order[0])
		p.order = p.order[1:]
	}
	return token
}

// search answers a search with its first page.
func (r *Record) search(q query, base string) []byte {
	s := pageSet{count: q.count, self: base + "/" + q.typ}
	if len(q.used) > 0 {
		s.self += "?" + q.used.Encode()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	v := &view{base: r.entries}
	s.hits = v.find(q)
	token := ""
	if len(s.hits) > s.count {
		token = r.pages.keep(s)
	}
	return s.page(token, 0, base)
}

// nextPage answers the link to a later page; a link that is no longer known gives 404 (not 410: nothing was deleted).
func (r *Record) nextPage(params url.Values, base string) ([]byte, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s, ok := r.pages.byToken[params.Get("_page")]
	offset, err := strconv.Atoi(params.Get("_offset"))
	if !ok || err != nil || offset < 0 || offset > len(s.hits) {
		return nil, refuse(http.StatusNotFound, "not-found", "this page is not known; search again")
	}
	s.self = base + "/?" + params.Encode()
	return s.page(params.Get("_page"), offset, base), nil
}

// page writes one searchset Bundle.
func (s pageSet) page(token string, offset int, base string) []byte {
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"searchset","total":` + strconv.Itoa(len(s.hits)) +
		`,"link":[{"relation":"self","url":` + quote(s.self) + `}`)
	end := min(offset+s.count, len(s.hits))
	if end < len(s.hits) {
		next := url.Values{"_page": {token}, "_offset": {strconv.Itoa(end)}}
		b.WriteString(`,{"relation":"next","url":` + quote(base+"/?"+next.Encode()) + `}`)
	}
	b.WriteString(`]`)
	for i, e := range s.hits[offset:end] {
		b.WriteString(map[bool]string{true: `,"entry":[`, false: `,`}[i == 0])
		b.WriteString(`{"fullUrl":` + quote(base+"/"+e.key.String()) + `,"resource":`)
		b.Write(e.body)
		b.WriteString(`,"search":{"mode":"match"}}`)
	}
	if end > offset {
		b.WriteString(`]`)
	}
	b.WriteString(`}`)
	return b.Bytes()
}

// quote writes s as a JSON string.
func quote(s string) string {
	q, _ := json.Marshal(s)
	return string(q)
}
