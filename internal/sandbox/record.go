// Package sandbox is the demonstration's hospital record: a small FHIR R4 server that keeps everything in memory. It reads,
// creates, updates, deletes, searches and takes transactions for the resource types that the product meets, and tells
// listeners of each change. It must never be used as the peer of a write-back test, hold real patients, or be reachable
// from outside the machine: it asks nobody who they are.
package sandbox

import (
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/tidwall/gjson"
)

// Config says what a Record starts with.
type Config struct {
	// BaseURL begins every fullUrl, Location and link, without a slash at the end. Empty means http:// and the Host of
	// the request that is being answered.
	BaseURL string
	// Now gives the time for meta.lastUpdated. It is required.
	Now func() time.Time
	// Patients are transaction Bundles that the record holds from the start. Their meta.versionId and meta.lastUpdated
	// are kept, as a record's own history would have them. No listener hears of them.
	Patients [][]byte
}

// Record is the hospital record. It may be used by any number of goroutines.
type Record struct {
	baseURL string
	now     func() time.Time

	mu      sync.Mutex // guards everything below
	entries map[key]entry
	count   int // of resources ever created: the order in which a search answers
	pages   pages

	listeners  []func(kind, typ, id string, body []byte)
	changes    []change // not yet told, in the order in which they were made
	delivering bool
}

// change is one thing that listeners are to hear of.
type change struct {
	kind string
	key  key
	body []byte
}

// New gives a record that holds c.Patients. The error names the first Bundle that cannot be taken in.
func New(c Config) (*Record, error) {
	if c.Now == nil {
		return nil, errors.New("sandbox: Config.Now is missing")
	}
	r := &Record{baseURL: c.BaseURL, now: c.Now, entries: map[key]entry{}}
	for i, b := range c.Patients {
		if err := r.Load(b); err != nil {
			return nil, fmt.Errorf("sandbox: Bundle %d: %w", i+1, err)
		}
	}
	return r, nil
}

// Load takes in one transaction Bundle whole or not at all, keeping the meta.versionId and meta.lastUpdated of its
// resources where they are newer than what is held. Listeners hear of each change.
func (r *Record) Load(bundle []byte) error {
	if !gjson.ValidBytes(bundle) {
		return refuse(http.StatusBadRequest, "invalid", "not JSON")
	}
	_, err := r.transact(gjson.ParseBytes(bundle), r.baseURL, true)
	return err
}

// OnChange adds a listener. It hears of each change after the change is made: kind is PUT with the whole resource, or
// DELETE without a body. Changes are told one at a time and in the order in which they were made, and before the request
// that made them is answered, except while another request is already telling. A listener may call the record, and must
// not change body.
func (r *Record) OnChange(f func(kind, typ, id string, body []byte)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.listeners = append(r.listeners, f)
}

// deliver tells the listeners what has changed. Whoever comes first tells everything, also what others add meanwhile.
func (r *Record) deliver() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.delivering {
		return
	}
	r.delivering = true
	defer func() { r.delivering = false }()
	for len(r.changes) > 0 {
		c, listeners := r.changes[0], r.listeners
		r.changes = r.changes[1:]
		r.tell(c, listeners)
	}
}

// tell calls the listeners without the lock and takes it again, also when a listener panics.
func (r *Record) tell(c change, listeners []func(kind, typ, id string, body []byte)) {
	r.mu.Unlock()
	defer r.mu.Lock()
	for _, f := range listeners {
		f(c.kind, c.key.typ, c.key.id, c.body)
	}
}

// do runs f on a view of the record, keeps what f wrote only if it gives no error, and tells the listeners.
func (r *Record) do(f func(v *view) error) error {
	err := r.commit(f)
	r.deliver()
	return err
}

func (r *Record) commit(f func(v *view) error) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	v := &view{base: r.entries, staged: map[key]entry{}, now: r.now(), count: r.count}
	if err := f(v); err != nil {
		return err
	}
	for _, k := range v.order {
		e := v.staged[k]
		r.entries[k] = e
		if len(r.listeners) == 0 {
			continue
		}
		c := change{kind: http.MethodPut, key: k, body: e.body}
		if e.deleted {
			c = change{kind: http.MethodDelete, key: k}
		}
		r.changes = append(r.changes, c)
	}
	r.count = v.count
	return nil
}
