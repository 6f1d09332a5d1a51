package assess_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

func recordOf(resources []fhir.Resource, known []filter.KnownKey) assess.Record {
	rec := assess.Record{Person: "person", Known: known, Context: assess.ContextInput}
	for _, r := range resources {
		rec.Entries = append(rec.Entries, chart.Entry{Feed: "default", Resource: r})
	}
	return rec
}

func encode(t *rapid.T, v any) string {
	body, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

// TestOrderAndRepetitionChangeNothing: any permutation, any entry twice, and the answer's own keys given back leave the
// answer as it is, keys included.
func TestOrderAndRepetitionChangeNothing(t *testing.T) {
	t.Parallel()
	b := basis(t)
	var seen share
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		first := assess.Patient(recordOf(resources, nil), b, asOf)
		want := encode(t, first.Assessment)
		seen.count(want)
		shuffled := rapid.Permutation(append(slices.Clone(resources), rapid.SampledFrom(resources).Draw(t, "twice"))).Draw(t, "order")
		if diff := cmp.Diff(want, encode(t, assess.Patient(recordOf(shuffled, nil), b, asOf).Assessment)); diff != "" {
			t.Fatalf("another order (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(want, encode(t, assess.Patient(recordOf(resources, first.Keys), b, asOf).Assessment)); diff != "" {
			t.Fatalf("own keys given back (-want +got):\n%s", diff)
		}
	})
	seen.log(t)
}

// TestArrivalOrderChangesKeysOnly: entries arriving one by one, with the keys of each answer carried on, end with the same
// answer but for keys; every filter has one key and no key is on two filters; and the referrals that would be written
// leave at most one open per filter.
func TestArrivalOrderChangesKeysOnly(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		want := assess.Patient(recordOf(resources, nil), b, asOf)
		var known []filter.KnownKey
		var referrals []draft.Referral
		var res assess.Result
		order := rapid.Permutation(resources).Draw(t, "arrival")
		for i := range order {
			res = assess.Patient(recordOf(order[:i+1], known), b, asOf)
			referrals, _ = draft.Reconcile(referrals, res.Wants, nil, asOf)
			known = carry(known, res)
		}
		keys := map[string]bool{}
		for _, f := range res.Assessment.Filters {
			if keys[f.Key] {
				t.Fatalf("key %s is on two filters", f.Key)
			}
			keys[f.Key] = true
		}
		for _, r := range referrals {
			if r.Round > 0 && r.Reason == draft.Wanted && !keys[r.Key] {
				t.Fatalf("a referral is open for key %s, which no filter has", r.Key)
			}
		}
		for _, f := range res.Assessment.Filters {
			if open := slices.ContainsFunc(res.Wants, func(w draft.Want) bool { return w.Key == f.Key && w.Reason == draft.Wanted }); open !=
				slices.ContainsFunc(referrals, func(r draft.Referral) bool { return r.Key == f.Key && r.Reason == draft.Wanted && r.Round > 0 }) {
				t.Fatalf("filter %s: the referral at rest is not what is wanted", f.Key)
			}
		}
		if diff := cmp.Diff(withoutKeys(t, want.Assessment), withoutKeys(t, res.Assessment)); diff != "" {
			t.Fatalf("(-at once +one by one):\n%s", diff)
		}
	})
}

// carry is what the store keeps: the keys of the answer, and those whose filter is gone for now.
func carry(known []filter.KnownKey, res assess.Result) []filter.KnownKey {
	var out []filter.KnownKey
	for _, k := range known {
		if _, merged := res.Assessment.Merged[k.Key]; merged {
			continue
		}
		if i := slices.IndexFunc(res.Keys, func(r filter.KnownKey) bool { return r.Key == k.Key }); i >= 0 {
			k = res.Keys[i]
		}
		out = append(out, k)
	}
	for _, k := range res.Keys {
		if !slices.ContainsFunc(out, func(o filter.KnownKey) bool { return o.Key == k.Key }) {
			out = append(out, k)
		}
	}
	return out
}

// withoutKeys writes an answer without keys, and without the day of its next change: with events still to come, that day
// depends on which of the filters then to be told apart keeps which key.
func withoutKeys(t *rapid.T, a assess.Assessment) string {
	a.Merged, a.DueOn = nil, nil
	a.Filters = slices.Clone(a.Filters)
	for i := range a.Filters {
		a.Filters[i].Key, a.Filters[i].ChangesOn = "", nil
	}
	slices.SortFunc(a.Filters, func(x, y assess.Filter) int { return strings.Compare(encode(t, x), encode(t, y)) })
	return encode(t, a)
}

// promised is what changesOn speaks of.
func promised(f assess.Filter) string {
	var ids []string
	for _, x := range f.Findings {
		ids = append(ids, x.Rule)
	}
	slices.Sort(ids)
	return fmt.Sprint(f.Standing, f.Window, f.Indication, f.Anticoagulation.Level, f.Verdict, f.Overdue, slices.Compact(ids))
}

// TestChangesOnKeepsItsPromise: on every day before changesOn the answer is the same, and on changesOn it differs; without
// changesOn it holds for ten years. dueOn is never after the first change.
func TestChangesOnKeepsItsPromise(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		res := assess.Patient(recordOf(resources, nil), b, asOf)
		answer := func(day filter.Day, key string) string {
			for _, f := range assess.Patient(recordOf(resources, res.Keys), b, day).Assessment.Filters {
				if f.Key == key {
					return promised(f)
				}
			}
			return "gone"
		}
		for _, f := range res.Assessment.Filters {
			days := []filter.Day{asOf + 400, asOf + 1200, asOf + 3650}
			if f.ChangesOn != nil {
				on, err := filter.ParseDay(*f.ChangesOn)
				if err != nil {
					t.Fatal(err)
				}
				if answer(on, f.Key) == promised(f) {
					t.Fatalf("the answer does not change on %s: %s", on, promised(f))
				}
				if res.Assessment.DueOn == nil || *res.Assessment.DueOn > *f.ChangesOn {
					t.Fatalf("due on %v, after the change on %s", res.Assessment.DueOn, on)
				}
				days = []filter.Day{on - 1, asOf + (on-asOf)/2, asOf + (on-asOf)/3, asOf + (on-asOf)/7}
			}
			for d := asOf + 1; d < asOf+15; d++ {
				days = append(days, d)
			}
			for _, d := range days {
				if f.ChangesOn != nil && d.String() >= *f.ChangesOn || d <= asOf {
					continue
				}
				if diff := cmp.Diff(promised(f), answer(d, f.Key)); diff != "" {
					t.Fatalf("changed on %s already (changesOn %v):\n%s", d, f.ChangesOn, diff)
				}
			}
		}
	})
}

// TestEvidenceIsExactlyWhatWasUsed: a finding stays as it is when everything its evidence does not list is taken away (the
// Patient stays), and changes or goes when any listed entry is.
func TestEvidenceIsExactlyWhatWasUsed(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		res := assess.Patient(recordOf(resources, nil), b, asOf)
		for _, f := range res.Assessment.Filters {
			for _, x := range f.Findings {
				only := slices.DeleteFunc(slices.Clone(resources), func(r fhir.Resource) bool {
					return r.Type != "Patient" && !slices.Contains(x.Evidence, r.Ref())
				})
				if !says(assess.Patient(recordOf(only, nil), b, asOf), x) {
					t.Fatalf("finding %s needs an entry that it does not list: %q %v", x.Rule, x.Text, x.Evidence)
				}
				for _, ref := range x.Evidence {
					less := slices.DeleteFunc(slices.Clone(resources), func(r fhir.Resource) bool { return r.Ref() == ref })
					if says(assess.Patient(recordOf(less, nil), b, asOf), x) {
						t.Fatalf("finding %s lists %s without using it", x.Rule, ref)
					}
				}
			}
		}
	})
}

func says(res assess.Result, x assess.Finding) bool {
	for _, f := range res.Assessment.Filters {
		if slices.ContainsFunc(f.Findings, func(y assess.Finding) bool { return cmp.Equal(x, y) }) {
			return true
		}
	}
	return false
}

// TestRetractionIsAsIfItHadNeverCome: an entered-in-error copy leaves the answer as without the entry, but for keys; an
// entry that no rule reads changes nothing at all.
func TestRetractionIsAsIfItHadNeverCome(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		at := rapid.IntRange(1, len(resources)-1).Draw(t, "retracted")
		without := slices.Delete(slices.Clone(resources), at, at+1)
		with := append(slices.Clone(resources), retract(t, resources[at]))
		known := assess.Patient(recordOf(resources, nil), b, asOf).Keys
		if diff := cmp.Diff(withoutKeys(t, assess.Patient(recordOf(without, nil), b, asOf).Assessment), withoutKeys(t, assess.Patient(recordOf(with, known), b, asOf).Assessment)); diff != "" {
			t.Fatalf("(-never came +retracted %s):\n%s", resources[at].Ref(), diff)
		}
		allergy := mustDecode(t, `{"resourceType":"AllergyIntolerance","id":"a1","patient":{"reference":"Patient/g1"},"code":{"text":"pollen"}}`)
		if diff := cmp.Diff(encode(t, assess.Patient(recordOf(resources, nil), b, asOf).Assessment), encode(t, assess.Patient(recordOf(append(slices.Clone(resources), allergy), nil), b, asOf).Assessment)); diff != "" {
			t.Fatalf("an irrelevant entry (-without +with):\n%s", diff)
		}
	})
}

// TestPastStaysPast: with no new data a later day never turns a past window into another.
func TestPastStaysPast(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		later := asOf + filter.Day(rapid.IntRange(1, 500).Draw(t, "days on"))
		res := assess.Patient(recordOf(resources, nil), b, asOf)
		then := assess.Patient(recordOf(resources, res.Keys), b, later)
		for _, f := range res.Assessment.Filters {
			for _, g := range then.Assessment.Filters {
				// A filter removed or placed again meanwhile is another story.
				if f.Key == g.Key && f.Window == "past" && f.Standing == "in-place" && g.Standing == "in-place" && g.Window != "past" && cmp.Equal(f.Placed, g.Placed) {
					t.Fatalf("window past on %s, %s on %s", asOf, g.Window, later)
				}
			}
		}
	})
}
