package sandbox

import (
	"bytes"
	"net/http"
	"strconv"
	"strings"

	"github.com/tidwall/gjson"
)

// operation is one entry of a transaction, or one create or update.
type operation struct {
	method, typ, id string
	ifNoneExist     string // of a POST
	ifMatch         string // of a PUT or DELETE
	fullURL         string
	body            []byte
	answer          answer
}

// answer is what became of one operation.
type answer struct {
	status int
	entry  entry // zero after a delete
}

// parseOperations reads the entries; a fault in one of them is a fault of the Bundle.
func parseOperations(bundle gjson.Result) ([]*operation, error) {
	var out []*operation
	for _, e := range bundle.Get("entry").Array() {
		o := &operation{method: e.Get("request.method").String(), fullURL: e.Get("fullUrl").String(),
			ifMatch: e.Get("request.ifMatch").String(), body: []byte(e.Get("resource").Raw)}
		var named bool
		o.typ, o.id, named = strings.Cut(strings.TrimPrefix(e.Get("request.url").String(), "/"), "/")
		if !known(o.typ) || named && !validID(o.id) {
			return nil, refuse(http.StatusBadRequest, "invalid", "an entry's request.url is not one that the sandbox knows")
		}
		switch {
		case o.method == http.MethodPost && !named, o.method == http.MethodPut && named:
			if err := resource(o.body, o.typ, o.id); err != nil {
				return nil, err
			}
		case o.method == http.MethodDelete && named:
		default:
			return nil, refuse(http.StatusBadRequest, "not-supported", "an entry's request is not one that the sandbox supports")
		}
		if o.method == http.MethodPost {
			o.ifNoneExist = e.Get("request.ifNoneExist").String()
		}
		out = append(out, o)
	}
	return out, nil
}

// transact takes a transaction whole or not at all and gives the response Bundle. The order of work is R4's: DELETE,
// POST, PUT (http://hl7.org/fhir/R4/http.html#trules). Entries that read are not supported.
func (r *Record) transact(bundle gjson.Result, base string, keepMeta bool) ([]byte, error) {
	if bundle.Get("resourceType").String() != "Bundle" || bundle.Get("type").String() != "transaction" {
		return nil, refuse(http.StatusBadRequest, "invalid", "not a transaction Bundle")
	}
	operations, err := parseOperations(bundle)
	if err != nil {
		return nil, err
	}
	err = r.do(func(v *view) error {
		v.keepMeta = keepMeta
		return v.runAll(operations, base)
	})
	if err != nil {
		return nil, err
	}
	return respond(operations, base), nil
}

func (v *view) runAll(operations []*operation, base string) error {
	given, touched := map[string]string{}, map[key]bool{}
	each := func(method string, f func(o *operation) error) error {
		for _, o := range operations {
			if o.method != method {
				continue
			}
			if err := f(o); err != nil {
				return err
			}
		}
		return nil
	}
	// claim refuses a second operation on the same resource.
	claim := func(o *operation) error {
		k := key{o.typ, o.id}
		if touched[k] {
			return refuse(http.StatusBadRequest, "duplicate", "two entries write the same resource")
		}
		touched[k] = true
		return nil
	}
	identify := func(o *operation) error {
		if err := v.identify(o, base); err != nil {
			return err
		}
		if o.fullURL != "" {
			given[o.fullURL] = o.typ + "/" + o.id
		}
		if o.answer.status == http.StatusOK {
			return nil // ifNoneExist found it: nothing is written
		}
		return claim(o)
	}
	write := func(o *operation) (err error) {
		if o.answer.status == http.StatusOK {
			return nil
		}
		if o.body, err = resolveLocal(o.body, given); err != nil {
			return err
		}
		return v.store(o)
	}
	for _, step := range []struct {
		method string
		f      func(o *operation) error
	}{
		{http.MethodDelete, claim}, {http.MethodDelete, v.delete},
		{http.MethodPost, identify}, {http.MethodPut, identify},
		{http.MethodPost, write}, {http.MethodPut, write},
	} {
		if err := each(step.method, step.f); err != nil {
			return err
		}
	}
	return nil
}

// identify finds out which resource a POST or PUT is about. A POST whose ifNoneExist matches is answered here with 200.
func (v *view) identify(o *operation, base string) error {
	if o.method == http.MethodPost {
		o.id = newID()
	}
	if o.ifNoneExist == "" {
		return nil
	}
	e, found, err := v.one(o.typ, o.ifNoneExist, base)
	if found {
		o.id, o.answer = e.key.id, answer{status: http.StatusOK, entry: e}
	}
	return err
}

// store writes the body of an identified POST or PUT.
func (v *view) store(o *operation) error {
	e, created, err := v.write(key{o.typ, o.id}, o.body, o.ifMatch)
	if err != nil {
		return err
	}
	o.answer = answer{status: http.StatusOK, entry: e}
	if created {
		o.answer.status = http.StatusCreated
	}
	return nil
}

func (v *view) delete(o *operation) error {
	o.answer = answer{status: http.StatusNoContent}
	return v.remove(key{o.typ, o.id}, o.ifMatch)
}

// respond writes the response Bundle, one entry per operation in the order in which they came.
func respond(operations []*operation, base string) []byte {
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"transaction-response"`)
	for i, o := range operations {
		b.WriteString(map[bool]string{true: `,"entry":[{`, false: `,{`}[i == 0])
		a := o.answer
		if a.entry.body != nil {
			b.WriteString(`"resource":` + string(a.entry.body) + `,`)
		}
		b.WriteString(`"response":{"status":` + quote(strconv.Itoa(a.status)+" "+http.StatusText(a.status)))
		if a.entry.body != nil {
			b.WriteString(`,"location":` + quote(location(a.entry, base)) + `,"etag":` + quote(a.entry.etag()) +
				`,"lastModified":` + quote(gjson.GetBytes(a.entry.body, "meta.lastUpdated").String()))
		}
		b.WriteString(`}}`)
	}
	if len(operations) > 0 {
		b.WriteString(`]`)
	}
	b.WriteString(`}`)
	return b.Bytes()
}

func location(e entry, base string) string {
	return base + "/" + e.key.String() + "/_history/" + strconv.Itoa(e.version)
}
