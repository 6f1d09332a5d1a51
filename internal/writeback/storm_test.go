package writeback_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
	"dwellwatch/internal/worker"
	"dwellwatch/internal/writeback"
	"dwellwatch/migrations"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Run(m, migrate)) }

func migrate(ctx context.Context, url string) error {
	pool, err := pgxpool.New(ctx, url)
	if err != nil {
		return err
	}
	defer pool.Close()
	return migrations.Up(ctx, pool, nil)
}

const (
	// The peer has done its work before it spoils an answer, so the wait for one that is lost may be short.
	stormTimeout = 400 * time.Millisecond
	stormMargin  = 200 * time.Millisecond
	workers      = 2 // convergers, as of two processes
)

// tester is what *testing.T and *rapid.T share.
type tester interface {
	Helper()
	Context() context.Context
	Logf(format string, args ...any)
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// clinic is a database and a record for the filters of many storms.
type clinic struct {
	t     *testing.T // of the peer and the database
	peer  *peertest.Peer
	store *postgres.Store
	basis int64
}

func newClinic(t *testing.T) *clinic {
	t.Helper()
	store, err := postgres.Open(t.Context(), dbtest.URL(t), postgres.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(store.Close)
	basis, err := store.RegisterBasis(t.Context(), "digest", "default@1")
	if err != nil {
		t.Fatal(err)
	}
	return &clinic{t: t, peer: peertest.Start(t), store: store, basis: basis}
}

// storm is some filters whose referrals several convergers write into a record with bad habits.
type storm struct {
	tester
	*clinic
	filters    []*stormFilter
	convergers []*writeback.Converger
	strangers  map[string][]byte // what others hold in the record, by Type/id
	deadline   time.Time
	tally      tally
}

type tally struct{ tries, unknown, tokens atomic.Int64 }

type stormFilter struct {
	mu       sync.Mutex
	saved    postgres.Saved
	document compose.Document
}

func (f *stormFilter) key() string { return f.document.Referral.Key }

// newStorm empties the record, plants the entries of others, and asks for n referrals. Habits are set by the caller.
func newStorm(t tester, c *clinic, n, strangers int) *storm {
	t.Helper()
	c.peer.Habits(c.t, nil)
	c.peer.Reset(c.t)
	s := &storm{tester: t, clinic: c, strangers: map[string][]byte{}, deadline: time.Now().Add(30 * time.Second)}
	var items []screen.Item
	for range n {
		f := newStormFilter()
		s.filters = append(s.filters, f)
		patient := strings.TrimPrefix(f.document.Assessment.Patient, "Patient/")
		items = append(items, screen.Item{Feed: postgres.DefaultFeed, Patient: patient, Evidence: true,
			Resource: fhir.Resource{Type: "Procedure", ID: f.key(), VersionID: "1", Raw: []byte(`{"resourceType":"Procedure"}`)}})
	}
	if _, err := c.store.Accept(t.Context(), items, time.Now()); err != nil {
		t.Fatalf("accept: %v", err)
	}
	rows, err := c.store.Overview(t.Context())
	if err != nil {
		t.Fatalf("overview: %v", err)
	}
	persons := map[string]string{}
	for _, row := range rows {
		persons["Patient/"+row.Patients[0].PatientID] = row.Person
	}
	for _, f := range s.filters {
		f.saved = postgres.Saved{Person: persons[f.document.Assessment.Patient], ChartVersion: 1, Basis: c.basis, Answer: []byte(`{}`),
			AsOf: filter.NewDay(2026, 3, 1), DueOn: filter.NewDay(2026, 4, 1),
			Keys: []filter.KnownKey{{Key: f.key(), Evidence: []string{"Procedure/" + f.key()}}}}
		s.want(f, func(*compose.Document) {})
	}
	s.plantStrangers(strangers)
	for range workers {
		s.convergers = append(s.convergers, s.newConverger())
	}
	return s
}

func newStormFilter() *stormFilter {
	key := uuid.NewString()
	first := "2025-05-01"
	return &stormFilter{document: compose.Document{
		Assessment: assess.Assessment{AsOf: "2026-03-01", Patient: "Patient/" + key[:13],
			Filters: []assess.Filter{{Key: key, Standing: "in-place", Verdict: "refer", Headline: "The reason for the filter has ended.",
				Focus: "Device/dev1", Placed: &assess.Range{Earliest: &first, Latest: &first}, Evidence: []string{"Device/dev1"}}}},
		Referral: draft.Referral{Key: key, Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine",
			OpenedOn: filter.NewDay(2026, 3, 1), DueOn: filter.NewDay(2026, 3, 29)},
	}}
}

func (s *storm) newConverger() *writeback.Converger {
	client, err := rest.New(rest.Config{BaseURL: s.peer.BaseURL, Timeout: 10 * time.Second, Token: uuid.NewString(),
		Renew: func(context.Context) (string, error) {
			s.tally.tokens.Add(1)
			return uuid.NewString(), nil
		}})
	if err != nil {
		s.Fatalf("client: %v", err)
	}
	return writeback.New(writeback.Config{Store: worker.WriteStore{Store: s.store}, Record: client,
		Site: compose.Site{Installation: installation, Version: "1"}, Timeout: stormTimeout, Margin: stormMargin,
		Render: func(d compose.Document) ([]byte, error) {
			return fmt.Appendf(nil, "%%PDF-1.7 revision %d", d.Referral.Revision), nil
		},
		Pause: func(ctx context.Context, d time.Duration) error { return nap(ctx, d/10) }})
}

func nap(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// want saves a changed state as a new version.
func (s *storm) want(f *stormFilter, change func(*compose.Document)) {
	s.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.document)
	raw, err := json.Marshal(f.document)
	if err != nil {
		s.Fatalf("document: %v", err)
	}
	f.saved.Referrals = []postgres.SavedReferral{{Referral: f.document.Referral, Document: raw, Changed: true}}
	if err := s.store.SaveAssessment(s.Context(), f.saved); err != nil {
		s.Fatalf("save: %v", err)
	}
}

func revise(d *compose.Document) { d.Referral.Revision++ }

func closeIt(d *compose.Document) { d.Referral.Reason = draft.NotDue }

// plantStrangers puts entries of others into the record: n of each type for our patients, and, of our series, one that is
// about another patient.
func (s *storm) plantStrangers(n int) {
	s.Helper()
	foreign := s.filters[0].document
	foreign.Assessment.Patient = "Patient/somebody-else"
	foreign.Referral.Round = 7 // so that no instance of ours is taken
	task, err := compose.Task(foreign, compose.Site{Installation: otherInstallation}, time.Now(), "")
	document, err2 := compose.DocumentReference(foreign, compose.Site{Installation: otherInstallation}, time.Now(), []byte("%PDF"), "")
	if err := errors.Join(err, err2); err != nil {
		s.Fatalf("entries of others: %v", err)
	}
	all := [][]byte{task, document}
	for i := range n {
		patient := s.filters[i%len(s.filters)].document.Assessment.Patient
		all = append(all, fmt.Appendf(nil, `{"resourceType":"Task","status":"draft","intent":"order","for":{"reference":%q}}`, patient),
			fmt.Appendf(nil, `{"resourceType":"DocumentReference","status":"current","subject":{"reference":%q},
				"content":[{"attachment":{"contentType":"text/plain","data":"YQ=="}}]}`, patient))
	}
	client, err := rest.New(rest.Config{BaseURL: s.peer.BaseURL, Timeout: clientTimeout})
	if err != nil {
		s.Fatalf("client: %v", err)
	}
	entries := make([]string, len(all))
	for i, raw := range all {
		entries[i] = fmt.Sprintf(`{"resource":%s,"request":{"method":"POST","url":%q}}`, raw, get(raw, "resourceType"))
	}
	made, err := client.Transact(s.Context(), []byte(`{"resourceType":"Bundle","type":"transaction","entry":[`+strings.Join(entries, ",")+`]}`))
	if err != nil {
		s.Fatalf("entries of others: %v", err)
	}
	for _, m := range made {
		s.strangers[m.Type+"/"+m.ID] = m.Resource
	}
}

// write does for every filter what the queue does with several workers, until ctx ends or all is written.
func (s *storm) write(ctx context.Context) {
	s.Helper()
	var group sync.WaitGroup
	for _, f := range s.filters {
		for _, c := range s.convergers {
			group.Go(func() { s.drive(ctx, c, f.key()) })
		}
	}
	group.Wait()
}

func (s *storm) drive(ctx context.Context, c *writeback.Converger, key string) {
	for ctx.Err() == nil {
		if time.Now().After(s.deadline) {
			s.Errorf("not written in time")
			return
		}
		wanted, err := s.store.Wanted(ctx, key)
		if err != nil || wanted.WrittenVersion == wanted.Version {
			return
		}
		err = c.Converge(ctx, key, wanted.Version)
		if !errors.Is(err, writeback.ErrBusy) {
			s.tally.tries.Add(1)
		}
		later, isLater := errors.AsType[*writeback.Later](err)
		pause := 5*time.Millisecond + rand.N(20*time.Millisecond)
		switch {
		case err == nil, ctx.Err() != nil, errors.Is(err, fault.Superseded):
			continue
		case errors.Is(err, writeback.ErrBusy):
			pause = 40*time.Millisecond + rand.N(40*time.Millisecond)
		case isLater && later.After > 15*time.Minute:
			s.Errorf("a pause of %s", later.After)
		case errors.Is(err, rest.ErrUnknownOutcome):
			s.tally.unknown.Add(1)
			pause = min(later.After, stormTimeout+stormMargin)
		case !isLater:
			s.Errorf("converge: %v", err)
			return
		}
		if nap(ctx, pause) != nil {
			return
		}
	}
}

// check reads what the record really holds and says what is wrong with it, and counts the copies that were retired.
func (s *storm) check() (surplus int, faults []string) {
	s.Helper()
	tasks, documents := s.ours("Task"), s.ours("DocumentReference")
	for _, f := range s.filters {
		open, current := 0, 0
		for _, t := range tasks[f.key()] {
			switch status, code := get(t, "status"), get(t, "statusReason.coding.0.code"); {
			case status == "draft":
				open++
			case status == "cancelled" && code == "duplicate":
				surplus++
			case status == "cancelled" && code == string(f.document.Referral.Reason):
			default:
				faults = append(faults, fmt.Sprintf("a Task is %s (%s)", status, code))
			}
		}
		for _, d := range documents[f.key()] {
			switch get(d, "status") {
			case "current":
				current++
				if open == 1 && f.document.Referral.Reason == draft.Wanted && !s.named(tasks[f.key()], get(d, "id")) {
					faults = append(faults, "the Task does not name the current document")
				}
			case "entered-in-error":
				surplus++
			}
		}
		want := map[bool]int{true: 1, false: 0}[f.document.Referral.Reason == draft.Wanted]
		if open != want || want == 1 && current != 1 || current > 1 {
			faults = append(faults, fmt.Sprintf("%d open Tasks of %d, %d current documents of %d; wanted %q revision %d", open, len(tasks[f.key()]),
				current, len(documents[f.key()]), f.document.Referral.Reason, f.document.Referral.Revision))
		}
	}
	for _, raw := range slices.Concat(s.peer.Held(s.t, "Task"), s.peer.Held(s.t, "DocumentReference")) {
		name := get(raw, "resourceType") + "/" + get(raw, "id")
		if before, ok := s.strangers[name]; ok && get(before, "meta.versionId") != get(raw, "meta.versionId") {
			faults = append(faults, "an entry of others was changed")
		}
	}
	return surplus, faults
}

// ours gives what the record holds of our series, by key, without what is about another patient.
func (s *storm) ours(typ string) map[string][][]byte {
	s.Helper()
	out := map[string][][]byte{}
	for _, raw := range s.peer.Held(s.t, typ) {
		if _, foreign := s.strangers[typ+"/"+get(raw, "id")]; !foreign {
			key := get(raw, `identifier.#(system=="`+compose.SeriesSystem+`").value`)
			out[key] = append(out[key], raw)
		}
	}
	return out
}

// named reports whether the open Task names the document.
func (s *storm) named(tasks [][]byte, documentID string) bool {
	return slices.ContainsFunc(tasks, func(t []byte) bool {
		return get(t, "status") == "draft" && bytes.Contains(t, []byte(`"DocumentReference/`+documentID+`"`))
	})
}

// calm ends all bad habits, lets what is left be written, looks at everything once as the daily sweep does, and gives what the
// storm did.
func (s *storm) calm() map[string]int {
	s.Helper()
	fired := s.peer.Log(s.t).Fired
	s.peer.Habits(s.t, nil)
	s.write(s.Context())
	for _, f := range s.filters {
		for {
			err := s.convergers[0].Look(s.Context(), f.key())
			later, put := errors.AsType[*writeback.Later](err)
			if err != nil && (!put || time.Now().After(s.deadline)) {
				s.Errorf("look: %v", err)
			}
			if !put || nap(s.Context(), min(later.After, stormTimeout+stormMargin)) != nil {
				break
			}
		}
	}
	return fired
}
