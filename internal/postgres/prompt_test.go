package postgres

import (
	"errors"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

func TestPrompt(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	if _, err := b.Prompt(t.Context(), DefaultFeed, "p1", 1, asOf(), nil); !errors.Is(err, fault.NotFound) {
		t.Errorf("nobody: %v", err)
	}
	dated := item("Procedure/a", "p1", "3", evidence, updated(5))
	undated := item("Condition/c", "p1", "")
	b.take(dated, undated)
	basis, err := b.RegisterBasis(t.Context(), "digest", "default@1")
	if err != nil {
		t.Fatal(err)
	}
	prompt := func(on filter.Day, basis int64, given ...fhir.Resource) Prompt {
		t.Helper()
		p, err := b.Prompt(t.Context(), DefaultFeed, "p1", basis, on, given)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	if p := prompt(asOf(), basis); p.Person != person("p1") || p.Holds || !p.Same {
		t.Errorf("not assessed: %+v", p)
	}
	if _, err := b.Answered(t.Context(), person("p1")); !errors.Is(err, fault.NotFound) {
		t.Errorf("not assessed: %v", err)
	}
	rec := b.record("p1")
	err = b.SaveAssessment(t.Context(), Saved{Person: rec.Person, ChartVersion: rec.ChartVersion, Basis: basis, AsOf: asOf(), DueOn: asOf().Add(10), Answer: []byte(`{"asOf":"x"}`),
		Keys: []filter.KnownKey{{Key: "k1"}}, Referrals: []SavedReferral{{Referral: draft.Referral{Key: "k1", Round: 1}, Document: []byte(`{}`), Changed: true}}})
	if err != nil {
		t.Fatal(err)
	}
	for days, want := range map[int]bool{-1: false, 0: true, 9: true, 10: false} {
		if got := prompt(asOf().Add(days), basis).Holds; got != want {
			t.Errorf("%d days after it was made it holds: %t", days, got)
		}
	}
	if prompt(asOf(), basis+1).Holds {
		t.Error("it holds on another basis")
	}
	a, err := b.Answered(t.Context(), rec.Person)
	if err != nil || string(a.Answer) != `{"asOf":"x"}` || len(a.Referrals) != 1 || a.Referrals[0].Key != "k1" || a.Saves != prompt(asOf(), basis).Saves {
		t.Errorf("%+v %v", a, err)
	}

	later := dated.Resource
	later.LastUpdated = later.LastUpdated.Add(time.Minute)
	other := undated.Resource
	other.Raw = []byte(`{"resourceType":"Condition","id":"c","note":"other"}`)
	strange := dated.Resource
	strange.ID = "b"
	cut := dated.Resource
	cut.Raw = []byte(`{"resourceType":"Procedure","id":"a"}`)
	for name, c := range map[string]struct {
		given []fhir.Resource
		same  bool
	}{
		"both":             {[]fhir.Resource{dated.Resource, undated.Resource}, true},
		"a part of it":     {[]fhir.Resource{cut}, true},
		"another version":  {[]fhir.Resource{dated.Resource, later}, false},
		"other content":    {[]fhir.Resource{other}, false},
		"one never heard":  {[]fhir.Resource{dated.Resource, strange}, false},
		"the same, spaced": {[]fhir.Resource{{Type: "Condition", ID: "c", Raw: append([]byte(" "), undated.Resource.Raw...)}}, true},
	} {
		if got := prompt(asOf(), basis, c.given...).Same; got != c.same {
			t.Errorf("%s: the same %t", name, got)
		}
	}
	b.take(item("Condition/d", "p1", ""))
	if prompt(asOf(), basis).Holds {
		t.Error("it holds although there is news")
	}
}
