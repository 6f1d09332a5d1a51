package entry_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/policy"
)

func head(id string) entry.Head {
	return entry.Head{ID: id, About: entry.About{Patient: "Patient/p", Focus: "Procedure/in"}, By: entry.Author{Name: "Ada Thornbury", Reference: "Practitioner/7"},
		At: time.Date(2026, 3, 1, 9, 30, 0, 0, time.UTC), Why: "Seen in the paper file"}
}

func correction(id string, revises ...string) entry.Correction {
	return entry.Correction{Head: head(id), Revises: revises, ProvenanceID: id + "-by"}
}

func original(ref, body string) entry.Original {
	kind, _, _ := strings.Cut(ref, "/")
	return entry.Original{Ref: ref, Type: kind, Raw: []byte(body)}
}

const (
	placement = `{"resourceType":"Procedure","id":"in","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"subject":{"reference":"Patient/p"},"performedPeriod":{"start":"2025-10-01","end":"2025-10-01"}}`
	device    = `{"resourceType":"Device","id":"d","status":"active","type":{"text":"vena cava filter"},"deviceName":[{"name":"Old name","type":"model-name"}],"modelNumber":"X","patient":{"reference":"Patient/p"}}`
	moved     = `{"resourceType":"Condition","id":"moved","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.525A"}]},"subject":{"reference":"Patient/p"},"onsetDateTime":"2026-02-20"}`
	clot      = `{"resourceType":"Condition","id":"clot","code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"I82.411"}]},"subject":{"reference":"Patient/p"},"onsetDateTime":"2025-09-28"}`
	apixaban  = `{"resourceType":"MedicationRequest","id":"a","status":"active","intent":"order","subject":{"reference":"Patient/p"},"authoredOn":"2025-10-05","medicationCodeableConcept":{"text":"apixaban 5 mg tablet"},"dosageInstruction":[{"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"}}]}]}`
	taking    = `{"resourceType":"MedicationStatement","id":"s","status":"active","subject":{"reference":"Patient/p"},"effectiveDateTime":"2025-10-05","medicationCodeableConcept":{"text":"apixaban 5 mg tablet"},"dosage":[{"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"}}]}]}`
)

// one makes a list of one.
func one(r fhir.Resource, err error) ([]fhir.Resource, error) { return []fhir.Resource{r}, err }

// made gives every kind of entry, by name.
func made(t *testing.T) map[string][]fhir.Resource {
	t.Helper()
	out := map[string][]fhir.Resource{}
	add := func(name string, list []fhir.Resource, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = list
	}
	for _, how := range entry.Hows() {
		for _, reached := range []bool{true, false} {
			list, err := one(entry.Contact{Head: head("contact"), How: how, Reached: reached}.Resource())
			add(fmt.Sprint(how, reached), list, err)
		}
	}
	for _, finding := range []string{chart.CodeNoLongerNeeded, chart.CodeStillNeeded, chart.CodeStays} {
		a := entry.Reassessment{Head: head("word"), Finding: finding}
		if finding == chart.CodeStillNeeded {
			a.Until = "2026-04-01"
		}
		list, err := one(a.Resource())
		add(finding, list, err)
	}
	for _, what := range []string{entry.Retrieved, entry.InPart, entry.Failed, entry.NotAttempted} {
		list, err := one(entry.Outcome{Head: head("outcome"), What: what, On: "2026-03-01"}.Resource())
		add(what, list, err)
		h := head("outcome")
		h.Focus = "Device/d"
		list, err = one(entry.Outcome{Head: h, Of: []string{"Device/d"}, What: what, On: "2026-02"}.Resource())
		add(what+" of a device", list, err)
	}
	list, err := correction("day", "Procedure/in").PlacementDay(original("Procedure/in", placement), "2025-09-30")
	add("day", list, err)
	c := correction("new-day")
	c.Focus = "Device/d"
	list, err = c.PlacementDay(entry.Original{}, "2025-06")
	add("day of a device", list, err)
	list, err = correction("model", "Device/d").Model(original("Device/d", device), "Quill D2")
	add("model", list, err)
	list, err = correction("no-device", "Procedure/in").Model(original("Procedure/in", placement), "Quill D2")
	add("model without a device", list, err)
	list, err = correction("stop", "MedicationRequest/a").Stopped(original("MedicationRequest/a", apixaban), "2026-02-01")
	add("stopped", list, err)
	list, err = correction("stop-s", "MedicationStatement/s").Stopped(original("MedicationStatement/s", taking), "2026-02-01")
	add("stopped statement", list, err)
	list, err = correction("settled", "Condition/moved").DealtWith(original("Condition/moved", moved), "2026-02-25")
	add("dealt with", list, err)
	wrong := correction("wrong", "Procedure/in")
	wrong.Seen = map[string]time.Time{"Procedure/in": time.Date(2026, 2, 27, 8, 0, 0, 123456000, time.UTC)}
	list, err = wrong.Wrong()
	add("wrong", list, err)
	list, err = correction("none", "Procedure/in").NoFilter()
	add("no filter", list, err)
	for name, list := range out {
		if strings.HasPrefix(name, "taken back") {
			continue
		}
		r, err := entry.TakenBack(head("x"), list[0].Raw)
		if err != nil {
			t.Fatal(err)
		}
		out["taken back "+name] = []fhir.Resource{r}
	}
	return out
}

// TestEntriesAreFHIR: each passes google/fhir and the R4 JSON schema.
func TestEntriesAreFHIR(t *testing.T) {
	t.Parallel()
	var all []json.RawMessage
	var names []string
	for name, list := range made(t) {
		for _, r := range list {
			all, names = append(all, r.Raw), append(names, name+" "+r.Type)
		}
	}
	for i, errs := range peertest.GoogleFHIRErrors(t, all...) {
		errs = append(errs, peertest.SchemaErrors(t, all[i])...)
		for _, e := range errs {
			t.Errorf("%s: %s\n%s", names[i], e, all[i])
		}
	}
}

// answer assesses the record's entries together with what was entered, and says in short what follows.
func answer(t *testing.T, entered []fhir.Resource, bodies ...string) string {
	t.Helper()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	var entries []chart.Entry
	for _, body := range bodies {
		r, err := fhir.Decode([]byte(body))
		if err != nil {
			t.Fatal(err)
		}
		entries = append(entries, chart.Entry{Feed: "default", Resource: r})
	}
	for _, r := range entered {
		entries = append(entries, chart.Entry{Feed: chart.LocalFeed, Base: strings.TrimSuffix(entry.LocalBase, "/"), Resource: r})
	}
	b := assess.Basis{Policy: policy.Default(), Sets: sets, Zone: time.UTC, Models: catalogue.Catalogue{Models: []catalogue.Model{{Name: "Quill D2", Design: "other", Intent: "permanent"}}}}
	a := assess.Patient(assess.Record{Person: "x", Entries: entries}, b, filter.NewDay(2026, 3, 1)).Assessment
	var out []string
	for _, f := range a.Filters {
		placed := "-"
		if f.Placed != nil && f.Placed.Earliest != nil {
			placed = *f.Placed.Earliest
		}
		out = append(out, strings.Join([]string{f.Verdict, f.Standing, placed, f.Indication, f.Anticoagulation.Level, f.Model.Name}, " "))
		local := 0
		for _, ref := range f.Evidence {
			if strings.HasPrefix(ref, entry.LocalBase) {
				local++
			}
		}
		for _, x := range f.Findings {
			for _, ref := range x.Evidence {
				if strings.HasPrefix(ref, entry.LocalBase) {
					local++
				}
			}
		}
		if local > 0 {
			out[len(out)-1] += " by hand"
		}
	}
	if n := len(a.FollowUp.Contacts) + len(a.FollowUp.NotAttempted); n > 0 {
		out = append(out, fmt.Sprint(n, " told"))
	}
	return strings.Join(out, "; ")
}

// TestEntriesAreRead: each says in the assessment what the person meant, and what was taken back says nothing.
func TestEntriesAreRead(t *testing.T) {
	t.Parallel()
	all := made(t)
	plain, therapeutic := "review in-place 2025-10-01 unknown unknown ", "refer in-place 2025-10-01 resolved therapeutic "
	for name, c := range map[string]struct {
		record       []string
		before, want string
	}{
		"telephonefalse":         {[]string{placement}, plain, plain + "; 1 told"},
		"lettertrue":             {[]string{placement}, plain, plain + "; 1 told"},
		"no-longer-needed":       {[]string{placement}, plain, "refer in-place 2025-10-01 resolved unknown  by hand"},
		"still-needed":           {[]string{placement}, plain, "wait in-place 2025-10-01 still-indicated unknown  by hand"},
		"stays":                  {[]string{placement}, plain, "keep in-place 2025-10-01 still-indicated unknown  by hand"},
		"retrieved":              {[]string{placement}, plain, "closed removed 2025-10-01 unknown unknown  by hand"},
		"in-part":                {[]string{placement}, plain, "review partly-removed 2025-10-01 unknown unknown  by hand"},
		"failed":                 {[]string{placement}, plain, plain + " by hand"},
		"not-attempted":          {[]string{placement}, plain, plain + "; 1 told"},
		"retrieved of a device":  {[]string{device}, "clarify in-place - unknown unknown Old name, model number X", "closed removed - unknown unknown Old name, model number X by hand"},
		"day":                    {[]string{placement}, plain, "review in-place 2025-09-30 unknown unknown  by hand"},
		"day of a device":        {[]string{device}, "clarify in-place - unknown unknown Old name, model number X", "review in-place 2025-06-01 unknown unknown Old name, model number X by hand"},
		"model":                  {[]string{device}, "clarify in-place - unknown unknown Old name, model number X", "clarify in-place - unknown unknown Quill D2 by hand"},
		"model without a device": {[]string{placement}, plain, "keep in-place 2025-10-01 unknown unknown Quill D2 by hand"},
		"stopped":                {[]string{placement, clot, apixaban}, therapeutic, "refer in-place 2025-10-01 resolved none  by hand"},
		"stopped statement":      {[]string{placement, clot, taking}, therapeutic, "refer in-place 2025-10-01 resolved none  by hand"},
		"dealt with":             {[]string{placement, moved}, "urgent in-place 2025-10-01 unknown unknown ", plain},
		"wrong":                  {[]string{placement}, plain, ""},
		"no filter":              {[]string{placement}, plain, ""},
	} {
		got := map[string]string{"before": answer(t, nil, c.record...), "after": answer(t, all[name], c.record...)}
		back := append([]fhir.Resource(nil), all["taken back "+name]...)
		got["taken back"] = answer(t, append(back, all[name][1:]...), c.record...)
		if diff := cmp.Diff(map[string]string{"before": c.before, "after": c.want, "taken back": c.before}, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestOutcomesAreOfTheirFilter: of two filters that nothing tells apart but their days, what is entered of one changes that one alone,
// and never tells of a third, whatever day it gives.
func TestOutcomesAreOfTheirFilter(t *testing.T) {
	t.Parallel()
	const later = `{"resourceType":"Procedure","id":"in2","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"subject":{"reference":"Patient/p"},"performedDateTime":"2025-12-20"}`
	of := func(id, ref, what, on string) fhir.Resource {
		h := head(id)
		h.Focus = ref
		r, err := entry.Outcome{Head: h, Of: []string{ref}, What: what, On: on}.Resource()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	first, second := "review in-place 2025-10-01 unknown unknown ", "review in-place 2025-12-20 unknown unknown "
	out := "closed removed 2025-12-20 unknown unknown "
	for name, c := range map[string]struct {
		entered []fhir.Resource
		want    string
	}{
		"none":                     {nil, first + "; " + second},
		"the second out":           {[]fhir.Resource{of("a", "Procedure/in2", entry.Retrieved, "2026-01-05")}, first + "; " + out},
		"the first out":            {[]fhir.Resource{of("a", "Procedure/in", entry.Retrieved, "2026-01-05")}, "closed removed 2025-10-01 unknown unknown ; " + second},
		"both out on one day":      {[]fhir.Resource{of("a", "Procedure/in", entry.Retrieved, "2026-01-05"), of("b", "Procedure/in2", entry.Retrieved, "2026-01-05")}, "closed removed 2025-10-01 unknown unknown ; " + out},
		"a part of the second":     {[]fhir.Resource{of("a", "Procedure/in2", entry.InPart, "2026-01-05")}, first + "; review partly-removed 2025-12-20 unknown unknown "},
		"the second tried":         {[]fhir.Resource{of("a", "Procedure/in2", entry.Failed, "2026-01-05")}, first + "; " + second},
		"out before it was in":     {[]fhir.Resource{of("a", "Procedure/in2", entry.Retrieved, "2025-11-05")}, first + "; clarify in-place 2025-12-20 unknown unknown "},
		"tried before it was in":   {[]fhir.Resource{of("a", "Procedure/in2", entry.Failed, "2025-11-05")}, first + "; clarify in-place 2025-12-20 unknown unknown "},
		"out, and tried later":     {[]fhir.Resource{of("a", "Procedure/in2", entry.Retrieved, "2026-01-05"), of("b", "Procedure/in2", entry.Failed, "2026-02-05")}, first + "; clarify unclear 2025-12-20 unknown unknown "},
		"of entries that are gone": {[]fhir.Resource{of("a", "Procedure/gone", entry.Retrieved, "2026-01-05")}, "closed removed - unknown unknown ; " + first + "; " + second},
	} {
		if diff := cmp.Diff(c.want, strings.ReplaceAll(answer(t, c.entered, placement, later), " by hand", "")); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestATakingAwayHoldsForTheVersionThatWasSeen: whatever the clocks of record and service say, an entry called wrong comes back with a
// version that is newer than the one people looked at, and with no other.
func TestATakingAwayHoldsForTheVersionThatWasSeen(t *testing.T) {
	t.Parallel()
	wrong := made(t)["wrong"]
	for at, want := range map[string]string{"2026-02-27T08:00:00.123456Z": "", "2026-02-27T09:00:00.123+01:00": "", "2026-02-27T08:00:00.123457Z": "review in-place 2025-10-01 unknown unknown "} {
		told := strings.Replace(placement, `"status"`, `"meta":{"lastUpdated":"`+at+`"},"status"`, 1)
		if diff := cmp.Diff(want, answer(t, wrong, told)); diff != "" {
			t.Errorf("a version of %s (-want +got):\n%s", at, diff)
		}
	}
}

// TestWhatIsMissingIsRefused: an entry without its person, its reason or its day is not made.
func TestWhatIsMissingIsRefused(t *testing.T) {
	t.Parallel()
	nobody, silent := head("x"), head("x")
	nobody.By.Name, silent.Why = "", ""
	wordless := correction("x", "Procedure/in")
	wordless.Why = ""
	for name, make := range map[string]func() error{
		"contact of nobody":     func() error { _, err := entry.Contact{Head: nobody, How: "telephone"}.Resource(); return err },
		"contact without a way": func() error { _, err := entry.Contact{Head: head("x"), How: "pigeon"}.Resource(); return err },
		"still needed without a day": func() error {
			_, err := entry.Reassessment{Head: head("x"), Finding: chart.CodeStillNeeded}.Resource()
			return err
		},
		"not attempted without a reason": func() error {
			_, err := entry.Outcome{Head: silent, What: entry.NotAttempted, On: "2026"}.Resource()
			return err
		},
		"outcome without a day": func() error { _, err := entry.Outcome{Head: head("x"), What: entry.Retrieved}.Resource(); return err },
		"correction without a reason": func() error {
			_, err := wordless.PlacementDay(original("Procedure/in", placement), "2025")
			return err
		},
		"stop of nothing": func() error { _, err := correction("x").Stopped(entry.Original{}, "2026-02-01"); return err },
		"complication of nothing": func() error {
			_, err := correction("x").DealtWith(original("Procedure/in", placement), "2026-02-01")
			return err
		},
		"nothing wrong": func() error { _, err := correction("x").Wrong(); return err },
	} {
		if err := make(); !errors.Is(err, fault.Invalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
