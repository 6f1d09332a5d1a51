package assess_test

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

func basis(t testing.TB) assess.Basis {
	t.Helper()
	site, err := demo.ValueSets()
	if err != nil {
		t.Fatal(err)
	}
	sets, err := chart.LoadSets(site...)
	if err != nil {
		t.Fatal(err)
	}
	models, err := chart.ReadCatalogue(demo.Catalogue())
	if err != nil {
		t.Fatal(err)
	}
	return assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}
}

// resources decodes the entries of a Bundle.
func resources(t testing.TB, body []byte) []fhir.Resource {
	t.Helper()
	r, err := fhir.DecodeLoose(body)
	if err != nil {
		t.Fatal(err)
	}
	b, err := fhir.DecodeLooseBundle(r)
	if err != nil {
		t.Fatal(err)
	}
	var out []fhir.Resource
	for _, e := range b.Entries {
		if e.HasResource && e.Fault == nil { // as assess reads them: an entry at fault is named and not used
			out = append(out, e.Resource)
		}
	}
	return out
}

// TestHospital compares every patient of the invented hospital with the answer worked out by hand from rules.md.
func TestHospital(t *testing.T) {
	t.Parallel()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	b := basis(t)
	day, err := filter.ParseDay(demo.Day)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range patients {
		var sent []fhir.Resource
		for _, step := range p.Steps {
			sent = append(sent, resources(t, step.Bundle)...)
			t.Run(step.File, func(t *testing.T) {
				recs := assess.Split(sent)
				if len(recs) != 1 {
					t.Fatalf("got %d patients, want 1", len(recs))
				}
				compareRows(t, assess.Patient(recs[0], b, day), step.Expected)
			})
		}
	}
}

func compareRows(t *testing.T, res assess.Result, want []demo.Row) {
	t.Helper()
	var got []demo.Row
	for i, f := range res.Assessment.Filters {
		r := demo.Row{Filter: strconv.Itoa(i + 1), Standing: f.Standing, Placed: days(f.Placed), Window: f.Window, Indication: f.Indication,
			Anticoagulation: f.Anticoagulation.Level, Verdict: f.Verdict, Overdue: strconv.FormatBool(f.Overdue), Asked: f.Asked, Task: "none", To: "none"}
		for _, w := range res.Wants() {
			if w.Key == f.Key && w.Reason == "" {
				r.Task, r.To = w.Priority, string(w.To)
			}
		}
		got = append(got, r)
	}
	if want[0].Filter == "0" {
		if len(got) != 0 {
			t.Fatalf("got filters, want none: %+v", got)
		}
		return
	}
	if want[0].Filter == "*" {
		every := want[0]
		want = nil
		for i := range got {
			row := every
			row.Filter = strconv.Itoa(i + 1)
			want = append(want, row)
		}
		if len(got) == 0 {
			t.Fatal("got no filter, want at least one")
		}
	}
	for i := range want {
		want := want[i]
		if i >= len(got) {
			t.Errorf("filter %d is missing", i+1)
			continue
		}
		want.File, want.Patient, want.Cites, want.Why = "", "", "", ""
		if want.Standing == "*" {
			want.Standing = got[i].Standing
		}
		if want.Placed == "*" {
			want.Placed = got[i].Placed
		}
		if diff := cmp.Diff(want, got[i]); diff != "" {
			t.Errorf("filter %d (-want +got):\n%s\n%s", i+1, diff, headlines(res))
		}
	}
	if len(got) > len(want) {
		t.Errorf("got %d filters, want %d", len(got), len(want))
	}
}

func headlines(res assess.Result) string {
	var lines []string
	for _, f := range res.Assessment.Filters {
		lines = append(lines, f.Headline)
		for _, x := range f.Findings {
			lines = append(lines, "  "+x.Rule+": "+x.Text)
		}
	}
	return strings.Join(lines, "\n")
}

func days(r *assess.Range) string {
	if r == nil {
		return "-"
	}
	side := func(s *string) string {
		if s == nil {
			return ""
		}
		return *s
	}
	ends := slices.Compact([]string{side(r.Earliest), side(r.Latest)})
	return strings.Join(ends, "..")
}
