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

// outcome is a result with what it wants asked.
type outcome struct {
	assess.Result
	Wants []draft.Want
}

func whole(r assess.Result) outcome { return outcome{r, r.Wants()} }

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
		seen.count(resources, want)
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
		var known, merged []filter.KnownKey
		var referrals []draft.Referral
		var res assess.Result
		order := rapid.Permutation(resources).Draw(t, "arrival")
		for i := range order {
			rec := recordOf(order[:i+1], known)
			rec.Merged = merged
			res = assess.Patient(rec, b, asOf)
			referrals, _ = draft.Reconcile(referrals, res.Wants(), nil, draft.Pace{UnansweredDays: 7, EscalatedDueDays: 14, EndedDays: 30, DeclinedDays: 90}, asOf)
			known, merged = carry(known, res), carryMerged(merged, res)
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
			if open := slices.ContainsFunc(res.Wants(), func(w draft.Want) bool { return w.Key == f.Key && w.Reason == draft.Wanted }); open !=
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

// carryMerged is what the store keeps of keys that were merged: they stand on what they stood on before, until a filter is theirs again.
func carryMerged(merged []filter.KnownKey, res assess.Result) []filter.KnownKey {
	out := slices.Clone(merged)
	for _, k := range res.MergedKeys {
		if i := slices.IndexFunc(out, func(m filter.KnownKey) bool { return m.Key == k.Key }); i >= 0 {
			out[i].Into = k.Into
		} else {
			out = append(out, k)
		}
	}
	return slices.DeleteFunc(out, func(m filter.KnownKey) bool {
		return slices.ContainsFunc(res.Keys, func(k filter.KnownKey) bool { return k.Key == m.Key })
	})
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
	return fmt.Sprint(f.Standing, f.Window, f.Indication, f.Anticoagulation.Level, f.Verdict, f.Overdue, slices.Compact(ids), planText(f))
}

// TestChangesOnKeepsItsPromise: on every day before changesOn the answer is the same, and on changesOn it differs; without
// changesOn it holds for ten years. dueOn is never after the first change.
func TestChangesOnKeepsItsPromise(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		res := assess.Patient(recordOf(resources, nil), b, asOf)
		told := map[filter.Day]map[string]string{}
		answer := func(day filter.Day, key string) string {
			if told[day] == nil {
				told[day] = map[string]string{}
				for _, f := range assess.Patient(recordOf(resources, res.Keys), b, day).Assessment.Filters {
					told[day][f.Key] = promised(f)
				}
			}
			if got, ok := told[day][key]; ok {
				return got
			}
			return "gone"
		}
		for _, f := range res.Assessment.Filters {
			end := asOf + 121
			days := []filter.Day{asOf + 400, asOf + 1200, asOf + 3650}
			if f.ChangesOn != nil {
				on, err := filter.ParseDay(*f.ChangesOn)
				if err != nil {
					t.Fatal(err)
				}
				if on <= asOf {
					t.Fatalf("changes on %s, which is not after %s", on, asOf)
				}
				if answer(on, f.Key) == promised(f) {
					t.Fatalf("the answer does not change on %s: %s", on, promised(f))
				}
				if res.Assessment.DueOn == nil || *res.Assessment.DueOn > *f.ChangesOn {
					t.Fatalf("due on %v, after the change on %s", res.Assessment.DueOn, on)
				}
				end, days = min(end, on), []filter.Day{on - 1}
			}
			for d := asOf + 1; d < end; d++ {
				days = append(days, d)
			}
			for _, d := range days {
				if got := answer(d, f.Key); d > asOf && got != promised(f) {
					t.Fatalf("changed on %s already (changesOn %v) (-then +now):\n%s", d, f.ChangesOn, cmp.Diff(promised(f), got))
				}
			}
		}
	})
}

// TestRetractionIsAsIfItHadNeverCome: an entered-in-error copy leaves the answer as without the entry, but for keys; an
// entry that no rule reads changes nothing at all.
func TestRetractionIsAsIfItHadNeverCome(t *testing.T) {
	t.Parallel()
	b := basis(t)
	rapid.Check(t, func(t *rapid.T) {
		resources, asOf := drawPatient(t)
		at := rapid.IntRange(1, len(resources)-1).Draw(t, "retracted")
		without := slices.DeleteFunc(slices.Clone(resources), func(r fhir.Resource) bool { return r.Ref() == resources[at].Ref() })
		with := append(slices.Clone(resources), retract(t, resources[at]))
		known := assess.Patient(recordOf(resources, nil), b, asOf).Keys
		if diff := cmp.Diff(withoutKeys(t, assess.Patient(recordOf(without, nil), b, asOf).Assessment), withoutKeys(t, assess.Patient(recordOf(with, known), b, asOf).Assessment)); diff != "" {
			t.Fatalf("(-never came +retracted %s):\n%s", resources[at].Ref(), diff)
		}
	})
}

// TestWhatNoRuleReadsChangesNothing: entries that say nothing of a filter leave every byte as it is, even where they cannot
// be read in full.
func TestWhatNoRuleReadsChangesNothing(t *testing.T) {
	t.Parallel()
	b := basis(t)
	for _, body := range []string{
		`{"resourceType":"AllergyIntolerance","id":"x1","patient":{"reference":"Patient/g1"},"code":{"text":"pollen"},"onsetDateTime":"2024-02-31"}`,
		`{"resourceType":"Procedure","id":"x2",%s,"status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"47562"}]},"performedDateTime":"2024-02-31"}`,
		`{"resourceType":"Procedure","id":"x3",%s,"code":{"text":"Filtration of blood"},"performedString":"last year"}`,
		`{"resourceType":"Condition","id":"x4",%s,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"E11.9"}]},"onsetDateTime":"0000"}`,
		`{"resourceType":"Condition","id":"x5",%s,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"Z95.828"}]},"onsetDateTime":"2024-01-01"}`,
		`{"resourceType":"MedicationRequest","id":"x6",%s,"status":"active","intent":"order","authoredOn":"soon","medicationCodeableConcept":{"text":"metformin 500 mg"}}`,
		`{"resourceType":"Observation","id":"x7",%s,"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"2345-7"}]},"effectiveDateTime":"2024-13-01","valueQuantity":{"value":100,"code":"mg/dL"}}`,
		`{"resourceType":"ServiceRequest","id":"x8",%s,"status":"active","intent":"order","code":{"text":"chest radiograph"},"authoredOn":"yesterday"}`,
		`{"resourceType":"Appointment","id":"x9","status":"booked","description":"eye clinic","start":"morning","created":"2024-01-32","participant":[{"actor":{"reference":"Patient/g1"},"status":"accepted"}]}`,
		`{"resourceType":"Device","id":"x10","status":"active","patient":{"reference":"Patient/g1"},"type":{"text":"hip prosthesis"}}`,
		`{"resourceType":"DeviceUseStatement","id":"x11",%s,"status":"active","device":{"reference":"Device/x10"},"timingPeriod":{"start":"2024-02-30"}}`,
		`{"resourceType":"DiagnosticReport","id":"x12",%s,"status":"final","code":{"text":"CT abdomen"},"effectiveDateTime":"2024-02-30","conclusion":"No filter fracture. No pulmonary embolism."}`,
		`{"resourceType":"Encounter","id":"x13",%s,"status":"finished","class":{"code":"AMB"},"period":{"start":"2024-02-30"},"reasonCode":[{"text":"flu"}]}`,
		`{"resourceType":"Basic","id":"x14",%s,"code":{"text":"vena cava filter placement"}}`,
	} {
		extra := mustDecode(t, strings.ReplaceAll(body, "%s", subject()))
		rapid.Check(t, func(t *rapid.T) {
			resources, asOf := drawPatient(t)
			with := append(slices.Clone(resources), extra)
			if diff := cmp.Diff(encode(t, whole(assess.Patient(recordOf(resources, nil), b, asOf))), encode(t, whole(assess.Patient(recordOf(with, nil), b, asOf)))); diff != "" {
				t.Fatalf("%s (-without +with):\n%s", extra.Ref(), diff)
			}
		})
	}
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
