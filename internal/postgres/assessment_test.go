package postgres

import (
	"encoding/json"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
)

// assessed gives an assessment of patient a, whose chart is at version 3, on a bench where bases 1 to 3 are registered.
func assessed(t *testing.T, o Options) (*bench, Saved) {
	t.Helper()
	b := setup(t, o)
	for _, v := range []string{"1", "2", "3"} {
		b.take(item("Procedure/p", "a", v, evidence))
		if _, err := b.RegisterBasis(t.Context(), "digest "+v, "default@"+v); err != nil {
			t.Fatal(err)
		}
	}
	return b, Saved{Person: person("a"), ChartVersion: 2, Basis: 2, AsOf: asOf(), DueOn: asOf().Add(30), Answer: []byte(`{"note":"\u0000"}`)}
}

func (b *bench) save(a Saved) {
	b.t.Helper()
	if err := b.SaveAssessment(b.t.Context(), a); err != nil {
		b.t.Fatalf("SaveAssessment: %v", err)
	}
}

func TestOlderAssessmentIsSuperseded(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		change func(*Saved)
		want   error
	}{
		{"the same again", func(*Saved) {}, nil},
		{"later day", func(a *Saved) { a.AsOf++ }, nil},
		{"earlier day", func(a *Saved) { a.AsOf-- }, fault.Superseded},
		{"newer chart", func(a *Saved) { a.ChartVersion = 3 }, nil},
		{"newer chart, earlier day", func(a *Saved) { a.ChartVersion = 3; a.AsOf-- }, nil},
		{"older chart", func(a *Saved) { a.ChartVersion = 1 }, fault.Superseded},
		{"older chart, later day", func(a *Saved) { a.ChartVersion = 1; a.AsOf++ }, fault.Superseded},
		{"higher basis", func(a *Saved) { a.Basis = 3 }, nil},
		{"higher basis, earlier day", func(a *Saved) { a.Basis = 3; a.AsOf-- }, nil},
		{"lower basis", func(a *Saved) { a.Basis = 1 }, fault.Superseded},
		{"lower basis, newer chart", func(a *Saved) { a.Basis = 1; a.ChartVersion = 3 }, fault.Superseded},
		{"higher basis, older chart", func(a *Saved) { a.Basis = 3; a.ChartVersion = 1 }, fault.Superseded},
		{"a chart that is not there yet", func(a *Saved) { a.ChartVersion = 4 }, fault.Invalid},
		{"no day", func(a *Saved) { a.AsOf = filter.MaxDay }, fault.Invalid},
		{"somebody unknown", func(a *Saved) { a.Person = person("nobody") }, fault.NotFound},
		{"not a person", func(a *Saved) { a.Person = "nobody" }, fault.NotFound},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b, a := assessed(t, Options{})
			b.save(a)
			c.change(&a)
			a.Answer = []byte(`{"again":true}`)
			a.Referrals = []SavedReferral{wanted("k")}
			a.Keys = []filter.KnownKey{{Key: "k"}}
			err := b.SaveAssessment(t.Context(), a)
			if !errors.Is(err, c.want) {
				t.Fatalf("error %v, want %v", err, c.want)
			}
			want, jobs := `{"again":true}`, 1
			if c.want != nil {
				want, jobs = `{"note":"\u0000"}`, 0
			}
			rows, err := b.Overview(t.Context())
			if err != nil || len(rows) != 1 {
				t.Fatalf("Overview: %d rows, %v", len(rows), err)
			}
			if string(rows[0].Answer) != want {
				t.Errorf("saved answer %s, want %s", rows[0].Answer, want)
			}
			b.wantCount(jobs, `SELECT count(*) FROM river_job WHERE kind = 'write_back'`)
			b.wantCount(jobs, `SELECT count(*) FROM filter_key`)
		})
	}
}

func wanted(key string) SavedReferral {
	return SavedReferral{Changed: true, Document: []byte(`{"b":1,"a":"\u0000"}`),
		Referral: draft.Referral{Key: key, Round: 1, Revision: 1, To: draft.ToClinic, Priority: "asap", OpenedOn: asOf(), DueOn: asOf().Add(14),
			Meaning: "m1", Question: "q1", BasedOn: []string{"ServiceRequest/s"}}}
}

func TestRecordAfterAnAssessment(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	before := b.record("a")
	if before.SavedVersion != 0 || before.SavedAsOf != filter.MinDay || before.Saves != 0 {
		t.Errorf("saved before the first assessment: %d on %s", before.SavedVersion, before.SavedAsOf)
	}
	a.Keys = []filter.KnownKey{{Key: "z-first", Evidence: []string{"Procedure/p", "Device/d"}}, {Key: "a-second"}}
	a.Referrals = []SavedReferral{wanted("z-first"), {Referral: draft.Referral{Key: "a-second", Reason: draft.NotDue}}}
	b.save(a)
	after := b.record("a")
	want := Record{Person: person("a"), ChartVersion: 3, Resources: before.Resources, Context: ContextFeedsOnly,
		Keys:         []filter.KnownKey{{Key: "z-first", Evidence: []string{"Procedure/p", "Device/d"}}, {Key: "a-second", Evidence: []string{}}},
		Referrals:    []draft.Referral{wanted("z-first").Referral, {Key: "a-second", Reason: draft.NotDue}},
		SavedVersion: 2, SavedBasis: 2, SavedAsOf: asOf(), Saves: 1}
	if diff := cmp.Diff(want, after); diff != "" {
		t.Errorf("record (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{`{"key": "z-first", "version": 1}`}, b.jobs("write_back")); diff != "" {
		t.Errorf("write-backs (-want +got):\n%s", diff)
	}
}

func TestMergedKeyIsNoLongerKnownButKeepsItsReferral(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	a.Keys = []filter.KnownKey{{Key: "old", Evidence: []string{"Procedure/p"}}, {Key: "young", Evidence: []string{"Device/d"}}}
	a.Referrals = []SavedReferral{wanted("old"), wanted("young")}
	b.save(a)
	a.Keys = []filter.KnownKey{{Key: "old", Evidence: []string{"Device/d", "Procedure/p"}}}
	a.Merged = []filter.KnownKey{{Key: "young", Into: "old"}}
	cancelled := wanted("young")
	cancelled.Referral.Reason = draft.Merged
	a.Referrals = []SavedReferral{cancelled}
	b.save(a)
	r := b.record("a")
	if diff := cmp.Diff(a.Keys, r.Keys); diff != "" {
		t.Errorf("keys (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]filter.KnownKey{{Key: "young", Evidence: []string{"Device/d"}, Into: "old"}}, r.Merged); diff != "" {
		t.Errorf("merged keys keep what they stood on by themselves (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]draft.Referral{wanted("old").Referral, cancelled.Referral}, r.Referrals); diff != "" {
		t.Errorf("referrals (-want +got):\n%s", diff)
	}
	a.Merged, a.Referrals = nil, nil
	a.Keys = append(a.Keys, filter.KnownKey{Key: "young", Evidence: []string{"Device/d"}})
	b.save(a)
	if diff := cmp.Diff(a.Keys, b.record("a").Keys); diff != "" {
		t.Errorf("keys after a split (-want +got):\n%s", diff)
	}
}

func TestKeyOfAnotherPersonIsRefused(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	a.Keys = []filter.KnownKey{{Key: "k"}}
	b.save(a)
	b.take(item("Procedure/q", "b", "1", evidence))
	a.Person, a.ChartVersion = person("b"), 1
	if err := b.SaveAssessment(t.Context(), a); !errors.Is(err, fault.Invalid) {
		t.Errorf("error %v, want fault.Invalid", err)
	}
}

func TestAssessmentOfAnOlderReadingIsTriedAgain(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	saves := b.record("a").Saves
	a.Saves = &saves
	b.save(a)
	a.AsOf++
	if err := b.SaveAssessment(t.Context(), a); !errors.Is(err, fault.Unavailable) {
		t.Errorf("error %v, want fault.Unavailable", err)
	}
	saves = b.record("a").Saves
	b.save(a)
}

func TestHistoryOfAssessmentsIsKept(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	b.save(a)
	a.AsOf++
	b.save(a)
	b.save(a)
	b.wantCount(2, `SELECT count(*) FROM assessment`)
}

func TestErasureIsQueuedOnceWhenEvidenceGoes(t *testing.T) {
	t.Parallel()
	b, a := assessed(t, Options{})
	a.EvidenceGone, a.EraseAfter = true, 48*time.Hour
	b.save(a)
	a.AsOf++
	b.save(a)
	jobs := b.jobs("erase_person")
	want, err := json.Marshal(map[string]any{"person": person("a"), "version": 2})
	if err != nil {
		t.Fatal(err)
	}
	if len(jobs) != 1 || !sameJSON(t, jobs[0], string(want)) {
		t.Errorf("erasures %v, want one of %s", jobs, want)
	}
	b.wantCount(1, `SELECT count(*) FROM river_job WHERE kind = 'erase_person' AND state = 'scheduled'
		AND scheduled_at BETWEEN now() + '47 hours' AND now() + '49 hours'`)
	a.EvidenceGone = false
	a.AsOf++
	b.save(a)
	b.wantCount(1, `SELECT count(*) FROM person WHERE evidence_gone_at IS NULL`)
}

func sameJSON(t *testing.T, a, b string) bool {
	t.Helper()
	var x, y any
	if err := errors.Join(json.Unmarshal([]byte(a), &x), json.Unmarshal([]byte(b), &y)); err != nil {
		t.Fatal(err)
	}
	return cmp.Equal(x, y)
}

func TestRecordOfNobody(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for _, id := range []string{person("nobody"), "", "a'b"} {
		if _, err := b.Record(t.Context(), id); !errors.Is(err, fault.NotFound) {
			t.Errorf("Record(%q): %v, want fault.NotFound", id, err)
		}
	}
}

func TestRecordIsOneSnapshot(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p0", "a", "1", evidence))
	done := make(chan error, 1)
	go func() {
		for n := range 60 {
			if _, err := b.Accept(t.Context(), []screen.Item{item("Observation/o", "a", "", updated(n+1))}, b.now); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for {
		r := b.record("a")
		// Version n+1 was made by the observation of minute n.
		if len(r.Resources) == 2 && r.Resources[0].Resource.LastUpdated.Minute() != int(r.ChartVersion-1)%60 {
			t.Fatalf("chart version %d with the observation of minute %d", r.ChartVersion, r.Resources[0].Resource.LastUpdated.Minute())
		}
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			return
		default:
		}
	}
}
