package writeback_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/writeback"

	"github.com/google/uuid"
	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"
)

const (
	installation      = "0b7a9c1e-52a4-4b0e-8a35-90f6a1f1d001"
	otherInstallation = "aaaaaaaa-52a4-4b0e-8a35-90f6a1f1d001"
	clientTimeout     = 3 * time.Second
)

// memory is a Store of one key in memory; its lease is a real one.
type memory struct {
	mu        sync.Mutex
	wanted    writeback.Wanted
	holder    string
	until     time.Time
	attention []string
	readAgain int
	marks     int
	looked    int
}

func (m *memory) Wanted(context.Context, string) (writeback.Wanted, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.wanted, nil
}

func (m *memory) Lease(_ context.Context, _, holder string, d time.Duration) (bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.holder != "" && m.holder != holder && time.Now().Before(m.until) {
		return false, nil
	}
	m.holder, m.until = holder, time.Now().Add(d)
	return true, nil
}

func (m *memory) MarkLooked(context.Context, string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.looked++
	return nil
}

func (m *memory) Release(_ context.Context, _, holder string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.holder == holder {
		m.holder = ""
	}
	return nil
}

func (m *memory) MarkWritten(_ context.Context, _ string, version int64, receipts []writeback.Receipt, _ time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if version > m.wanted.WrittenVersion {
		m.wanted.WrittenVersion = version
		m.marks++
	}
	for _, old := range m.wanted.Receipts {
		if !slices.ContainsFunc(receipts, func(r writeback.Receipt) bool {
			return r.Kind == old.Kind && r.Round == old.Round && r.Revision == old.Revision
		}) {
			receipts = append(receipts, old)
		}
	}
	m.wanted.Receipts = receipts
	return nil
}

func (m *memory) MarkAttention(_ context.Context, _ string, _ int64, code string, _ time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.attention = append(m.attention, code)
	return nil
}

func (m *memory) ReadAgain(context.Context, string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.readAgain++
	return nil
}

func (m *memory) held() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.holder != "" && time.Now().Before(m.until)
}

// meddler is a Record that counts writes and lets a test answer in its place; a hook that gives nil lets it through.
type meddler struct {
	*rest.Client
	writes   atomic.Int32
	onWrite  func(what string) error
	onSearch func(typ string, hits []json.RawMessage) []json.RawMessage
}

func (m *meddler) refuse(what string) error {
	m.writes.Add(1)
	if m.onWrite == nil {
		return nil
	}
	return m.onWrite(what)
}

func (m *meddler) Search(ctx context.Context, typ string, q url.Values, limit int) ([]json.RawMessage, error) {
	hits, err := m.Client.Search(ctx, typ, q, limit)
	if m.onSearch != nil && err == nil {
		hits = m.onSearch(typ, hits)
	}
	return hits, err
}

func (m *meddler) Read(ctx context.Context, typ, id string) (fhir.Resource, string, error) {
	return m.Client.Read(ctx, typ, id)
}

func (m *meddler) Create(ctx context.Context, resource []byte, ifNoneExist string) (rest.Written, error) {
	if err := m.refuse("POST " + gjson.GetBytes(resource, "resourceType").String()); err != nil {
		return rest.Written{}, err
	}
	return m.Client.Create(ctx, resource, ifNoneExist)
}

func (m *meddler) Update(ctx context.Context, resource []byte, etag string) (rest.Written, error) {
	if err := m.refuse("PUT " + gjson.GetBytes(resource, "resourceType").String()); err != nil {
		return rest.Written{}, err
	}
	return m.Client.Update(ctx, resource, etag)
}

func (m *meddler) Transact(ctx context.Context, bundle []byte) ([]rest.EntryResponse, error) {
	if err := m.refuse("POST Bundle"); err != nil {
		return nil, err
	}
	return m.Client.Transact(ctx, bundle)
}

// bench is one filter, its store, and a record to write to.
type bench struct {
	t         *testing.T
	peer      *peertest.Peer
	record    *meddler
	store     *memory
	converger *writeback.Converger
	config    writeback.Config
	document  compose.Document
	versions  []string // that were drawn; see drawn
}

// newBench gives a filter of its own in the peer's record; base "" is the peer itself.
func newBench(t *testing.T, peer *peertest.Peer, base string, change ...func(*writeback.Config)) *bench {
	t.Helper()
	if base == "" {
		base = peer.BaseURL
	}
	client, err := rest.New(rest.Config{BaseURL: base, Timeout: clientTimeout})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, peer: peer, record: &meddler{Client: client}, store: &memory{}}
	key := uuid.NewString()
	b.document = compose.Document{
		Assessment: assess.Assessment{AsOf: "2026-03-01", Patient: "Patient/" + key[:8],
			Person: assess.Person{Name: "Testperson Example"},
			Filters: []assess.Filter{{Key: key, Standing: "in-place", Verdict: "refer",
				Headline: "The reason for the filter has ended on 2025-09-01.", Focus: "Device/dev1",
				Placed:   &assess.Range{Earliest: text("2025-05-01"), Latest: text("2025-05-31")},
				Evidence: []string{"Device/dev1", "Procedure/pl1", "Condition/c1"}}}},
		Referral: draft.Referral{Key: key, Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine",
			OpenedOn: filter.NewDay(2026, 3, 1), DueOn: filter.NewDay(2026, 3, 29)},
	}
	b.config = writeback.Config{Store: b.store, Record: b.record, Site: compose.Site{Installation: installation, Version: "1"},
		Render: func(d compose.Document) ([]byte, error) {
			return fmt.Appendf(nil, "%%PDF-1.7 revision %d", d.Referral.Revision), nil
		},
		Timeout: clientTimeout, Margin: 200 * time.Millisecond,
		Pause: func(ctx context.Context, _ time.Duration) error { return ctx.Err() }}
	for _, f := range change {
		f(&b.config)
	}
	b.converger = writeback.New(b.config)
	b.want(nil)
	return b
}

func text(s string) *string { return &s }

func (b *bench) key() string { return b.document.Referral.Key }

// want changes what should stand and saves it as a new version.
func (b *bench) want(change func(*compose.Document)) {
	b.t.Helper()
	if change != nil {
		change(&b.document)
	}
	raw, err := json.Marshal(b.document)
	if err != nil {
		b.t.Fatal(err)
	}
	b.store.mu.Lock()
	defer b.store.mu.Unlock()
	b.store.wanted.Version++
	b.store.wanted.Referral, b.store.wanted.Document = b.document.Referral, raw
}

// forget makes the store look as if nothing had been written, as after a crash before the receipts.
func (b *bench) forget() {
	b.store.mu.Lock()
	defer b.store.mu.Unlock()
	b.store.wanted.WrittenVersion, b.store.wanted.Receipts = 0, nil
}

// once converges to the saved version as a new job would, whatever was marked before.
func (b *bench) once() error {
	b.store.mu.Lock()
	version := b.store.wanted.Version
	b.store.wanted.WrittenVersion = 0
	b.store.mu.Unlock()
	return b.converger.Converge(b.t.Context(), b.key(), version)
}

// converge does what the queue does: again after each Later, as long as asked.
func (b *bench) converge() int {
	b.t.Helper()
	for tries := 1; tries <= 20; tries++ {
		err := b.once()
		if err == nil {
			return tries
		}
		later, ok := errors.AsType[*writeback.Later](err)
		if !ok {
			b.t.Fatalf("converge: %v", err)
		}
		time.Sleep(min(later.After, clientTimeout+500*time.Millisecond))
	}
	b.t.Fatal("did not converge in 20 tries")
	return 0
}

// entries gives what the record holds of the series, by id.
func (b *bench) entries(typ string) []json.RawMessage {
	b.t.Helper()
	found := b.peer.Search(b.t, typ+"?identifier="+url.QueryEscape(compose.SeriesSystem+"|"+b.key()))
	slices.SortFunc(found, func(x, y json.RawMessage) int {
		if gjson.GetBytes(x, "id").String() < gjson.GetBytes(y, "id").String() {
			return -1
		}
		return 1
	})
	return found
}

func (b *bench) provenances() []json.RawMessage {
	b.t.Helper()
	var out []json.RawMessage
	for _, d := range b.entries("DocumentReference") {
		out = append(out, b.peer.Search(b.t, "Provenance?target=DocumentReference/"+get(d, "id"))...)
	}
	return out
}

func get(raw []byte, path string) string { return gjson.GetBytes(raw, path).String() }

// only gives the one entry of a type, or fails.
func (b *bench) only(typ string) json.RawMessage {
	b.t.Helper()
	all := b.entries(typ)
	if len(all) != 1 {
		b.t.Fatalf("%d entries of type %s, want 1", len(all), typ)
	}
	return all[0]
}

// current gives the one current document.
func (b *bench) current() json.RawMessage {
	b.t.Helper()
	var out []json.RawMessage
	for _, d := range b.entries("DocumentReference") {
		if get(d, "status") == "current" {
			out = append(out, d)
		}
	}
	if len(out) != 1 {
		b.t.Fatalf("%d current documents, want 1", len(out))
	}
	return out[0]
}

// byOthers changes a resource as people with other programs do.
func (b *bench) byOthers(raw []byte, values map[string]any) []byte {
	b.t.Helper()
	for path, v := range values {
		var err error
		if raw, err = sjson.SetBytes(raw, path, v); err != nil {
			b.t.Fatal(err)
		}
	}
	w, err := b.record.Client.Update(b.t.Context(), raw, rest.ETagOf(get(raw, "meta.versionId")))
	if err != nil {
		b.t.Fatal(err)
	}
	return w.Resource
}

// plant puts a resource into the record behind the Converger's back.
func (b *bench) plant(raw []byte, err error) string {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
	w, err := b.record.Client.Create(b.t.Context(), raw, "")
	if err != nil {
		b.t.Fatal(err)
	}
	return w.ID
}

// quiet checks that converging once more writes nothing.
func (b *bench) quiet() {
	b.t.Helper()
	before := b.record.writes.Load()
	if err := b.once(); err != nil {
		b.t.Fatalf("converge again: %v", err)
	}
	b.forget()
	if err := b.once(); err != nil {
		b.t.Fatalf("converge again without receipts: %v", err)
	}
	if n := b.record.writes.Load() - before; n != 0 {
		b.t.Errorf("%d writes although nothing differs", n)
	}
}

// sound checks everything of ours in the record with the validators of others and our own.
func (b *bench) sound() {
	b.t.Helper()
	all := slices.Concat(b.entries("Task"), b.entries("DocumentReference"), b.provenances())
	validate(b.t, all...)
}

func validate(t *testing.T, all ...json.RawMessage) {
	t.Helper()
	for i, faults := range peertest.GoogleFHIRErrors(t, all...) {
		for _, f := range slices.Concat(faults, peertest.SchemaErrors(t, all[i]), peertest.OwnFaults(all[i])) {
			t.Errorf("%s: %s\n%s", get(all[i], "resourceType"), f, all[i])
		}
	}
}

func refused(status int) *rest.Refused {
	return &rest.Refused{Status: status, What: "Task", Retryable: status == 0 || status == http.StatusRequestTimeout ||
		status == http.StatusConflict || status == http.StatusTooManyRequests || status >= 500 && status != 501}
}
