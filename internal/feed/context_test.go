package feed

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
)

// record answers as a faulty FHIR server does; the types not named answer with nothing found.
type record map[string]func() ([]json.RawMessage, error)

func (r record) Search(_ context.Context, typ string, _ url.Values, _ int) ([]json.RawMessage, error) {
	f := r[typ]
	if f == nil {
		f = r["*"]
	}
	if f == nil {
		return nil, nil
	}
	return f()
}

func (r record) Read(context.Context, string, string) (fhir.Resource, string, error) {
	return fhir.Resource{}, "", fault.NotFound
}

// store remembers what a pull reports.
type store struct {
	marked bool
	gaps   []postgres.Gap
	kept   []string
}

func (s *store) PullPlan(context.Context, string) (postgres.Pull, error) {
	return postgres.Pull{Aliases: []postgres.Alias{{Feed: postgres.DefaultFeed, PatientID: "a"}}, Wanted: 1}, nil
}

func (s *store) AcceptHeld(_ context.Context, items []screen.Item, _ time.Time) ([]screen.Outcome, error) {
	for _, it := range items {
		s.kept = append(s.kept, it.Resource.Type+"/"+it.Resource.ID)
	}
	return make([]screen.Outcome, len(items)), nil
}

func (s *store) MarkPulled(_ context.Context, _ string, _ int64, gaps []postgres.Gap) error {
	s.marked, s.gaps = true, gaps
	return nil
}

func refuse(status int) func() ([]json.RawMessage, error) {
	return func() ([]json.RawMessage, error) {
		return nil, fmt.Errorf("search: %w", &rest.Refused{Status: status, What: "X", Retryable: status >= 500 && status != http.StatusNotImplemented})
	}
}

func entry(kind, id, patient string) json.RawMessage {
	return json.RawMessage(fmt.Sprintf(`{"resourceType":%q,"id":%q,"status":"completed","subject":{"reference":"Patient/%s"}}`, kind, id, patient))
}

// TestPullGaps holds that nothing which could not be read passes for read: it is named, or the pull is not done.
func TestPullGaps(t *testing.T) {
	t.Parallel()
	many := func() ([]json.RawMessage, error) {
		list := make([]json.RawMessage, maxPerType)
		for i := range list {
			list[i] = entry("Observation", fmt.Sprint(i), "b") // another's, so nothing is kept
		}
		return list, nil
	}
	cases := map[string]struct {
		record record
		gaps   []postgres.Gap
		kept   []string
		err    error // nil: the pull is done
	}{
		"everything answered": {record: record{}},
		"type unknown":        {record: record{"DeviceUseStatement": refuse(404), "Task": refuse(501)}, gaps: []postgres.Gap{{Type: "DeviceUseStatement", Why: postgres.GapUnsearchable}, {Type: "Task", Why: postgres.GapUnsearchable}}},
		"not allowed":         {record: record{"MedicationRequest": refuse(403)}, gaps: []postgres.Gap{{Type: "MedicationRequest", Why: postgres.GapForbidden}}},
		"bad request":         {record: record{"Encounter": refuse(400)}, gaps: []postgres.Gap{{Type: "Encounter", Why: postgres.GapRefused}}},
		"more than is read":   {record: record{"Observation": many}, gaps: []postgres.Gap{{Type: "Observation", Why: postgres.GapCut}}},
		"next page elsewhere": {record: record{"Procedure": func() ([]json.RawMessage, error) {
			return []json.RawMessage{entry("Procedure", "p", "a")}, rest.ErrIncomplete
		}}, gaps: []postgres.Gap{{Type: "Procedure", Why: postgres.GapCut}}, kept: []string{"Procedure/p"}},
		"an entry that is no FHIR": {record: record{"Condition": func() ([]json.RawMessage, error) {
			return []json.RawMessage{[]byte(`{"resourceType":"Condition","id":7}`)}, nil
		}}, gaps: []postgres.Gap{{Type: "Condition", Why: postgres.GapUnreadable}}},
		"no token":               {record: record{"Procedure": refuse(401)}, err: fault.Refused},
		"away for a while":       {record: record{"Procedure": refuse(503)}, err: fault.Unavailable},
		"every type refused":     {record: record{"*": refuse(404)}, err: fault.NotFound},
		"nothing allowed at all": {record: record{"*": refuse(403)}, err: fault.Refused},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := &store{}
			p := &Puller{Store: s, Record: c.record, Screen: screen.Screener{}.Item, Now: time.Now, Log: slog.New(slog.DiscardHandler)}
			err := p.Pull(t.Context(), "person", 1)
			if c.err != nil {
				if !errors.Is(err, c.err) || s.marked {
					t.Fatalf("pull: %v, marked %t; want %v and the context pending", err, s.marked, c.err)
				}
				return
			}
			if err != nil || !s.marked {
				t.Fatalf("pull: %v, marked %t; want done", err, s.marked)
			}
			if diff := cmp.Diff(c.gaps, s.gaps); diff != "" {
				t.Errorf("gaps (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(c.kept, s.kept); diff != "" {
				t.Errorf("kept (-want +got):\n%s", diff)
			}
		})
	}
}

// TestAFailingSearchForMergedPatients: what passes is no answer; what a record that does not know the search says, is one.
func TestAFailingSearchForMergedPatients(t *testing.T) {
	t.Parallel()
	for status, done := range map[int]bool{503: false, 502: false, 429: false, 401: false, 400: true, 403: true, 404: true, 500: true, 501: true} {
		s := &store{}
		fails := func() ([]json.RawMessage, error) {
			return nil, fmt.Errorf("search: %w", &rest.Refused{Status: status, What: "Patient", Retryable: status == 429 || status >= 500 && status != 501})
		}
		p := &Puller{Store: s, Record: record{"Patient": fails}, Screen: screen.Screener{}.Item, Now: time.Now, Log: slog.New(slog.DiscardHandler)}
		if err := p.Pull(t.Context(), "x", 1); (err == nil) != done || s.marked != done || len(s.gaps) > 0 {
			t.Errorf("%d: error %v, marked %v, gaps %v", status, err, s.marked, s.gaps)
		}
	}
}

// asking notes what it was asked for.
type asking struct {
	record
	asked []string
}

func (r *asking) Search(ctx context.Context, typ string, query url.Values, limit int) ([]json.RawMessage, error) {
	r.asked = append(r.asked, typ+"?"+query.Encode())
	return r.record.Search(ctx, typ, query, limit)
}

// TestMergedPatientsAreSearched: the link often stands only in the Patient that was merged away, so the record is asked who names this
// one; whom a search that ignores the question gives beside it is nobody's business.
func TestMergedPatientsAreSearched(t *testing.T) {
	t.Parallel()
	linked := func(id, kind, other string) json.RawMessage {
		return json.RawMessage(fmt.Sprintf(`{"resourceType":"Patient","id":%q,"link":[{"other":{"reference":"Patient/%s"},"type":%q}]}`, id, other, kind))
	}
	s := &store{}
	r := &asking{record: record{"Patient": func() ([]json.RawMessage, error) {
		return []json.RawMessage{linked("old", "replaced-by", "a"), linked("older", "seealso", "a"), linked("stranger", "replaced-by", "b"),
			[]byte(`{"resourceType":"Patient","id":"nobody"}`), linked("new", "replaces", "a")}, nil
	}}}
	p := &Puller{Store: s, Record: r, Screen: screen.Screener{}.Item, Now: time.Now, Log: slog.New(slog.DiscardHandler)}
	if err := p.Pull(t.Context(), "person", 1); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"Patient/old", "Patient/new"}, s.kept); diff != "" {
		t.Errorf("kept (-want +got):\n%s", diff)
	}
	if want := "Patient?link=Patient%2Fa"; !slices.Contains(r.asked, want) {
		t.Errorf("asked for %v, want %s among it", r.asked, want)
	}
}

// slowRecord reads a Medication by count, and is cut off after some.
type slowRecord struct {
	record
	reads, cutAfter int
}

func (r *slowRecord) Read(_ context.Context, kind, id string) (fhir.Resource, string, error) {
	if kind != "Medication" {
		return fhir.Resource{}, "", fault.NotFound
	}
	if r.reads++; r.reads%r.cutAfter == 0 {
		return fhir.Resource{}, "", context.DeadlineExceeded
	}
	return fhir.Resource{Type: kind, ID: id, Raw: []byte(`{"resourceType":"Medication","id":"` + id + `"}`)}, "", nil
}

// namingStore names what it does not yet hold.
type namingStore struct {
	store
	names []string
}

func (s *namingStore) PullPlan(ctx context.Context, person string) (postgres.Pull, error) {
	plan, err := s.store.PullPlan(ctx, person)
	for _, name := range s.names {
		if !slices.Contains(s.kept, name) {
			plan.Unresolved = append(plan.Unresolved, name)
		}
	}
	return plan, err
}

// TestAPullThatIsCutOffGoesOn: a record so slow that no try reads all is read to its end by several tries.
func TestAPullThatIsCutOffGoesOn(t *testing.T) {
	t.Parallel()
	s := &namingStore{}
	for i := range 190 {
		s.names = append(s.names, fmt.Sprintf("Medication/m%d", i))
	}
	p := &Puller{Store: s, Record: &slowRecord{record{}, 0, keepEvery + 20}, Screen: screen.Screener{}.Item, Now: time.Now, Log: slog.New(slog.DiscardHandler)}
	tries := 0
	for !s.marked && tries < 10 {
		tries++
		if err := p.Pull(t.Context(), "x", 1); (err == nil) != s.marked {
			t.Fatalf("try %d: %v", tries, err)
		}
	}
	if !s.marked || len(s.kept) != len(s.names) || tries < 3 {
		t.Errorf("after %d tries: done %v, %d of %d kept", tries, s.marked, len(s.kept), len(s.names))
	}
}
