package cqlbench

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"testing"
	"time"

	"github.com/google/cql"
	"github.com/google/cql/result"
	"github.com/google/cql/retriever/local"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// perBundle is how many resources each patient's Bundle has.
const perBundle = 26

var zulu = regexp.MustCompile(`(T[0-9:.]+)Z"`)

// charts gives one collection Bundle for each patient of the demonstration, filled up with measured values to the same size.
func charts(t testing.TB) [][]byte {
	t.Helper()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]byte
	for _, p := range patients {
		var b struct {
			Entry []struct {
				Resource json.RawMessage `json:"resource"`
			} `json:"entry"`
		}
		// The engine does not read Z as a zone.
		if err := json.Unmarshal(zulu.ReplaceAll(p.Steps[0].Bundle, []byte(`$1+00:00"`)), &b); err != nil {
			t.Fatal(err)
		}
		if len(b.Entry) > perBundle {
			continue
		}
		type entry struct {
			Resource json.RawMessage `json:"resource"`
		}
		var entries []entry
		for _, e := range b.Entry {
			entries = append(entries, entry{e.Resource})
		}
		for n := 0; len(entries) < perBundle; n++ {
			entries = append(entries, entry{json.RawMessage(fmt.Sprintf(`{"resourceType":"Observation","id":"%s-fill%d","status":"final",`+
				`"code":{"coding":[{"system":"http://loinc.org","code":"718-7"}]},"subject":{"reference":"Patient/%s"},"effectiveDateTime":"2025-%02d-11",`+
				`"valueQuantity":{"value":12.%d,"unit":"g/dL","system":"http://unitsofmeasure.org","code":"g/dL"}}`, p.ID, n, p.ID, 1+n%12, n%10))})
		}
		body, err := json.Marshal(map[string]any{"resourceType": "Bundle", "type": "collection", "entry": entries})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, body)
	}
	if len(out) < 15 {
		t.Fatalf("only %d patients", len(out))
	}
	return out
}

// rule asks of a chart a part of what our assessment asks: is a filter in whose window has passed, with an anticoagulant ordered
// for three weeks and no bleed since. It leaves out partial dates, second tellers, doses, complications and what was asked.
const rule = `
library Dwell version '1'
using FHIR version '4.0.1'
include FHIRHelpers version '4.0.1' called FHIRHelpers
context Patient
define Placed: [Procedure] P where P.status.value = 'completed' and exists (P.code.coding C where C.code.value = '37191')
define Removed: [Procedure] P where P.status.value = 'completed' and exists (P.code.coding C where C.code.value = '37193')
define Bleeds: [Condition] B where exists (B.code.coding C where C.code.value = 'K92.1' or C.code.value = 'K92.2' or C.code.value = 'K66.1')
define Orders: [MedicationRequest] M where M.status.value = 'active' and M.authoredOn.value before Today() - 21 days
define Overdue: exists (Placed P where (P.performed as FHIR.dateTime).value before Today() - 54 days)
    and not exists Removed and exists Orders and not exists Bleeds
`

func engine(t testing.TB) *cql.ELM {
	t.Helper()
	model, helpers, err := cql.FHIRDataModelAndHelpersLib("4.0.1")
	if err != nil {
		t.Fatal(err)
	}
	elm, err := cql.Parse(t.Context(), []string{rule, helpers}, cql.ParseConfig{DataModels: [][]byte{model}})
	if err != nil {
		t.Fatal(err)
	}
	return elm
}

func byCQL(t testing.TB, elm *cql.ELM, body []byte) bool {
	t.Helper()
	chart, err := local.NewRetrieverFromR4Bundle(body)
	if err != nil {
		t.Fatal(err)
	}
	got, err := elm.Eval(t.Context(), chart, cql.EvalConfig{EvaluationTimestamp: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)})
	if err != nil {
		t.Fatal(err)
	}
	overdue, err := result.ToBool(got[result.LibKey{Name: "Dwell", Version: "1"}]["Overdue"])
	if err != nil {
		t.Fatal(err)
	}
	return overdue
}

func basis(t testing.TB) assess.Basis {
	t.Helper()
	models, err := chart.ReadCatalogue(demo.Catalogue())
	if err != nil {
		t.Fatal(err)
	}
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	return assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}
}

// byAssessment goes from the bytes to the whole answer.
func byAssessment(t testing.TB, b assess.Basis, body []byte) assess.Result {
	t.Helper()
	r, err := fhir.Decode(body)
	if err != nil {
		t.Fatal(err)
	}
	bundle, err := fhir.DecodeBundle(r)
	if err != nil {
		t.Fatal(err)
	}
	resources := make([]fhir.Resource, len(bundle.Entries))
	for i, e := range bundle.Entries {
		resources[i] = e.Resource
	}
	records := assess.Split(resources, b)
	if len(records) != 1 {
		t.Fatalf("%d patients in a Bundle", len(records))
	}
	return assess.Patient(records[0], b, filter.NewDay(2026, 3, 1))
}

func BenchmarkCQL(b *testing.B) {
	all, elm := charts(b), engine(b)
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		byCQL(b, elm, all[n%len(all)])
	}
}

func BenchmarkAssessment(b *testing.B) {
	all, on := charts(b), basis(b)
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		byAssessment(b, on, all[n%len(all)])
	}
}

// TestTimesAsFast prints how many times as many patients a second our assessment takes as the engine takes with a part of the
// question, in one run and on one core. It fails where that is less than DWELLWATCH_BENCH_TIMES, and does nothing without it.
func TestTimesAsFast(t *testing.T) {
	var least float64
	if _, err := fmt.Sscan(os.Getenv("DWELLWATCH_BENCH_TIMES"), &least); err != nil {
		t.Skip("DWELLWATCH_BENCH_TIMES is not set")
	}
	theirs, ours := testing.Benchmark(BenchmarkCQL), testing.Benchmark(BenchmarkAssessment)
	times := float64(theirs.NsPerOp()) / float64(ours.NsPerOp())
	fmt.Printf("one core, %d resources a Bundle:\n  CQL engine   %10.0f patients/s  %s\n  assessment   %10.0f patients/s  %s\n  %.0f times\n",
		perBundle, 1e9/float64(theirs.NsPerOp()), theirs.MemString(), 1e9/float64(ours.NsPerOp()), ours.MemString(), times)
	if times < least {
		t.Errorf("%.0f times, less than %.0f", times, least)
	}
}

// TestBothReadTheCharts: the two must be asked about the same charts and have something to say.
func TestBothReadTheCharts(t *testing.T) {
	elm, on := engine(t), basis(t)
	overdue, filters := 0, 0
	for _, body := range charts(t) {
		if byCQL(t, elm, body) {
			overdue++
		}
		filters += len(byAssessment(t, on, body).Assessment.Filters)
	}
	if overdue == 0 || filters < 15 {
		t.Errorf("the engine calls %d overdue, the assessment sees %d filters", overdue, filters)
	}
}
