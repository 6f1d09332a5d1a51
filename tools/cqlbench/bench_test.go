package cqlbench

import (
	"encoding/json"
	"fmt"
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
	"dwellwatch/internal/rules"
)

// perBundle is how many resources each patient's Bundle has.
const perBundle = 26

var (
	zulu = regexp.MustCompile(`(T[0-9:.]+)Z"`)
	// The engine does not subtract days from a month.
	month = regexp.MustCompile(`DateTime": ?"[0-9]{4}(-[0-9]{2})?"`)
)

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
		if len(b.Entry) > perBundle || month.Match(p.Steps[0].Bundle) {
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

// rule asks of a chart what our assessment asks, as it would be written in CQL by hand: whether a filter is in and since when, by all
// entries that tell of it and whether these agree; its window; the thrombosis it was for; what speaks against anticoagulation and
// whether that has ended; the level of each anticoagulant by product and dose, of warfarin by the INR, and since when;
// a fall in haemoglobin; complications; what was asked or booked; what makes a retrieval harder; and a verdict. It leaves out months
// and years given for days, words, doses by weight and kidney function, courses joined over gaps, which filter each entry is about, the
// evidence and sources of each finding, the plan's steps, and the day on which the answer changes; and doses a day, which the engine
// cannot read. It gives decimal numbers as text, which is turned back.
const rule = `
library Dwell version '2'
using FHIR version '4.0.1'
include FHIRHelpers version '4.0.1' called FHIRHelpers
context Patient

define Done: [Procedure] P where P.status.value = 'completed'
define Placements: Done P
    where exists (P.code.coding C where C.code.value in {'37191', '397913009', '06H03DZ', '06H00DZ', '06H04DZ', '38.7'})
    and not exists (P.outcome.coding O where O.code.value = '385671000')
define Retrievals: [Procedure] P where exists (P.code.coding C where C.code.value in {'37193', '233439000'})
define PlacementDays: (Placements P return (P.performed as FHIR.dateTime).value)
define UseDays: ([DeviceUseStatement] U where U.status.value in {'active', 'completed', 'stopped'} return (U.timing as FHIR.Period).start.value)
define PlacedOn: Last(PlacementDays)
define TellersDisagree: exists (PlacementDays A where exists (PlacementDays B where B after A + 3 days and B before A + 30 days))
    or exists (UseDays U where exists (PlacementDays P where P after U + 3 days and P before U + 30 days or U after P + 3 days and U before P + 30 days))
define Removals: Retrievals P where P.status.value = 'completed'
    and not exists (P.outcome.coding O where O.code.value in {'385671000', '385670004'})
define RemovalDays: (Removals P return (P.performed as FHIR.dateTime).value)
define RemovedAfter: exists (RemovalDays R where R after PlacedOn)
define Confirmed: exists (Removals P where exists (P.outcome.coding O where O.code.value = '385669000'))
define Attempts: Retrievals P where P.status.value = 'stopped' or exists (P.outcome.coding O where O.code.value = '385671000')
define Partly: Retrievals P where exists (P.outcome.coding O where O.code.value = '385670004')
define Devices: [Device] D where D.status.value = 'active' and exists (D.deviceName N where N.name.value is not null)
define Inactive: [Device] D where D.status.value = 'inactive' and exists (D.deviceName N where N.name.value is not null)
define InPlace: (exists Placements or exists Devices) and not RemovedAfter
define Window: case
    when PlacedOn after Today() - 29 days then 'before'
    when PlacedOn after Today() - 55 days then 'in'
    else 'past' end

define Current: [Condition] C where not exists (C.verificationStatus.coding V where V.code.value in {'refuted', 'entered-in-error'})
define Active: Current C where not exists (C.clinicalStatus.coding S where S.code.value in {'resolved', 'inactive', 'remission'}) and C.abatement is null
define Thromboses: Current C where exists (C.code.coding K where K.code.value in {'I82.401', 'I82.402', 'I82.411', 'I82.412', 'I82.413', 'I82.419',
    'I82.421', 'I82.422', 'I82.431', 'I82.432', 'I82.441', 'I82.442', 'I82.4Y1', 'I82.4Y2', 'I82.220', 'I26.02', 'I26.09', 'I26.92', 'I26.99', '59282003', '128053003'})
define IndexEvents: Thromboses C where (C.onset as FHIR.dateTime).value after PlacedOn - 30 days and (C.onset as FHIR.dateTime).value before PlacedOn + 8 days
define NewEvents: Thromboses C where (C.onset as FHIR.dateTime).value after PlacedOn + 14 days
define AcuteEvents: Thromboses C where (C.onset as FHIR.dateTime).value after Today() - 92 days
define Bleeds: Active C where exists (C.code.coding K where K.code.value in {'K92.0', 'K92.1', 'K92.2', 'K66.1', 'J94.2', 'D62', 'I60.9', 'I61.9', 'I62.00', 'I62.01', 'I62.9', '1386000'})
    and (C.onset as FHIR.dateTime).value after Today() - 90 days
define EndedBleeds: Current C where exists (C.code.coding K where K.code.value in {'K92.0', 'K92.1', 'K92.2', 'K66.1', 'J94.2', 'D62', 'I60.9', 'I61.9', 'I62.00', 'I62.01', 'I62.9', '1386000'})
    and C.abatement is not null
define Final: [Observation] O where O.status.value in {'final', 'amended', 'corrected'}
define LowCounts: Final O where exists (O.code.coding K where K.code.value in {'777-3', '26515-7', '778-1'})
    and (O.effective as FHIR.dateTime).value after Today() - 30 days and ToDecimal((O.value as FHIR.Quantity).value.value as System.String) < 50.0
define Thrombocytopenia: Active C where exists (C.code.coding K where K.code.value in {'D69.6', 'D69.59', 'D69.49', '302215000'})
define Disorders: Active C where exists (C.code.coding K where K.code.value in {'D66', 'D67', 'D68.0', 'D68.1', 'D68.2', 'D68.4'})
define Haemoglobins: Final O where exists (O.code.coding K where K.code.value in {'718-7', '59260-0', '20509-6'})
define LatestDays: Haemoglobins O where (O.effective as FHIR.dateTime).value after Today() - 8 days
define Falls: LatestDays L where exists (Haemoglobins H where (H.effective as FHIR.dateTime).value before (L.effective as FHIR.dateTime).value
    and (H.effective as FHIR.dateTime).value after (L.effective as FHIR.dateTime).value - 8 days
    and ToDecimal((H.value as FHIR.Quantity).value.value as System.String) >= ToDecimal((L.value as FHIR.Quantity).value.value as System.String) + 2.0)
define Contraindicated: exists Bleeds or exists Thrombocytopenia and exists LowCounts or exists Disorders

define Orders: [MedicationRequest] M where M.status.value = 'active' and M.intent.value in {'order', 'original-order', 'filler-order', 'instance-order'}
define InRange: Final O where exists (O.code.coding K where K.code.value in {'6301-6', '34714-6'})
    and (O.effective as FHIR.dateTime).value after Today() - 42 days
    and ToDecimal((O.value as FHIR.Quantity).value.value as System.String) >= 2.0 and ToDecimal((O.value as FHIR.Quantity).value.value as System.String) <= 3.0
define Anticoagulants: Orders M where exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1364430', '1364435', '1364445', '1992427'})
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1114195', '1114198', '1232082', '1549682', '1232086'})
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1037042', '1037045', '1723476'})
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1599538', '1599551', '1599555'})
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'67108', '854228', '854235', '854238', '854241', '854248', '854245', '854252'})
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'11289', '855288', '855302', '855312', '855318', '855324', '855332', '855338', '855344', '855296'})
define Treatments: Anticoagulants M where exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1364430', '1364435', '1364445', '1992427'})
        and exists (M.dosageInstruction D where exists (D.doseAndRate R where ToDecimal((R.dose as FHIR.Quantity).value.value as System.String) in {5.0, 10.0}))
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1114195', '1114198', '1232082', '1549682', '1232086'})
        and exists (M.dosageInstruction D where exists (D.doseAndRate R where ToDecimal((R.dose as FHIR.Quantity).value.value as System.String) in {15.0, 20.0}))
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1037042', '1037045', '1723476'})
        and exists (M.dosageInstruction D where exists (D.doseAndRate R where ToDecimal((R.dose as FHIR.Quantity).value.value as System.String) = 150.0))
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'1599538', '1599551', '1599555'})
        and exists (M.dosageInstruction D where exists (D.doseAndRate R where ToDecimal((R.dose as FHIR.Quantity).value.value as System.String) = 60.0))
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'67108', '854228', '854235', '854238', '854241', '854248', '854245', '854252'})
        and exists (M.dosageInstruction D where exists (D.doseAndRate R where ToDecimal((R.dose as FHIR.Quantity).value.value as System.String) >= 60.0))
    or exists (((M.medication as FHIR.CodeableConcept).coding) K where K.code.value in {'11289', '855288', '855302', '855312', '855318', '855324', '855332', '855338', '855344', '855296'}) and exists InRange
define TreatmentDays: (Treatments M return M.authoredOn.value)
define Since: First(TreatmentDays)
define Level: case
    when exists Treatments then 'therapeutic'
    when exists Anticoagulants then 'indeterminate'
    else 'unknown' end
define LaterBleeds: Bleeds B where (B.onset as FHIR.dateTime).value after Since
define TreatedFor21Days: Level = 'therapeutic' and Since before Today() - 20 days and not exists LaterBleeds
define TreatedFor14Days: Level = 'therapeutic' and Since before Today() - 13 days and not exists LaterBleeds
define Indication: case
    when TreatedFor21Days then 'resolved'
    when TreatedFor14Days then 'likely-resolved'
    when Level = 'unknown' and exists EndedBleeds and not Contraindicated then 'likely-resolved'
    when exists AcuteEvents and Contraindicated then 'still-indicated'
    else 'unknown' end

define Displaced: Active C where exists (C.code.coding K where K.code.value in {'T82.525A', 'T82.515A', 'T82.595A'})
define DeviceTrouble: Active C where exists (C.code.coding K where K.code.value in {'T82.868A', 'T82.848A', 'T82.838A', 'T82.7XXA', 'T82.828A', 'T82.858A', 'T82.898A'})
define Requests: [ServiceRequest] R where R.status.value = 'active' and exists (R.code.coding K where K.code.value in {'37193', '233439000'})
define Booked: [Appointment] A where A.status.value in {'booked', 'arrived', 'checked-in'}
define Palliative: Active C where exists (C.code.coding K where K.code.value = 'Z51.5')
define Dead: Patient.deceased is not null
define LongDwell: PlacedOn before Today() - 12 months
define Hard: LongDwell or exists Attempts or exists Partly or exists Displaced
define Untreated: exists AcuteEvents and Level != 'therapeutic' and not Contraindicated
define BleedsUnderTreatment: Level = 'therapeutic' and exists LaterBleeds
define Verdict: case
    when Dead or not InPlace then 'closed'
    when exists Displaced or exists NewEvents then 'urgent'
    when TellersDisagree or exists Inactive then 'clarify'
    when exists Partly or exists Palliative or Untreated or BleedsUnderTreatment or exists Falls or exists DeviceTrouble then 'review'
    when Indication = 'still-indicated' then 'wait'
    when Indication = 'resolved' or Indication = 'likely-resolved' then 'refer'
    when Window = 'before' then 'wait'
    else 'review' end
define Overdue: Verdict = 'refer' and Window = 'past' and not exists Requests and not exists Booked
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
	overdue, err := result.ToBool(got[result.LibKey{Name: "Dwell", Version: "2"}]["Overdue"])
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
	return assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC, Book: rules.NewBook()}
}

// desk is the memory that one who assesses many patients hands on from each to the next.
type desk struct {
	bundle    fhir.Room
	resources []fhir.Resource
	patient   assess.Room
}

// byAssessment goes from the bytes to the whole answer.
func byAssessment(t testing.TB, d *desk, b assess.Basis, body []byte) assess.Result {
	t.Helper()
	_, bundle, err := d.bundle.DecodeWhole(body)
	if err != nil {
		t.Fatal(err)
	}
	d.resources = d.resources[:0]
	for i := range bundle.Entries {
		d.resources = append(d.resources, bundle.Entries[i].Resource)
	}
	records := d.patient.Split(d.resources)
	if len(records) != 1 {
		t.Fatalf("%d patients in a Bundle", len(records))
	}
	return d.patient.Patient(records[0], b, filter.NewDay(2026, 3, 1))
}

func resourcesOf(bundle fhir.Bundle) []fhir.Resource {
	out := make([]fhir.Resource, len(bundle.Entries))
	for i, e := range bundle.Entries {
		out[i] = e.Resource
	}
	return out
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
	var d desk
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		byAssessment(b, &d, on, all[n%len(all)])
	}
}

// TestTimesAsFast prints how many times as many patients a second our assessment takes as the engine takes with a part of the
// question, in one run and on one core. It fails where ours is the slower one.
func TestTimesAsFast(t *testing.T) {
	theirs, ours := testing.Benchmark(BenchmarkCQL), testing.Benchmark(BenchmarkAssessment)
	times := float64(theirs.NsPerOp()) / float64(ours.NsPerOp())
	fmt.Printf("one core, %d resources a Bundle:\n  CQL engine   %10.0f patients/s  %s\n  assessment   %10.0f patients/s  %s\n  %.0f times\n",
		perBundle, 1e9/float64(theirs.NsPerOp()), theirs.MemString(), 1e9/float64(ours.NsPerOp()), ours.MemString(), times)
	if times < 1 {
		t.Errorf("%.1f times as many", times)
	}
}

// TestBothReadTheCharts: the two must be asked about the same charts and have something to say.
func TestBothReadTheCharts(t *testing.T) {
	elm, on := engine(t), basis(t)
	var d desk
	overdue, filters := 0, 0
	for _, body := range charts(t) {
		if byCQL(t, elm, body) {
			overdue++
		}
		filters += len(byAssessment(t, &d, on, body).Assessment.Filters)
	}
	if overdue == 0 || filters < 15 {
		t.Errorf("the engine calls %d overdue, the assessment sees %d filters", overdue, filters)
	}
}

func BenchmarkParts(b *testing.B) {
	all, on := charts(b), basis(b)
	var whole []fhir.Bundle
	var records []assess.Record
	for _, body := range all {
		_, bundle, err := fhir.DecodeWhole(body)
		if err != nil {
			b.Fatal(err)
		}
		whole = append(whole, bundle)
		records = append(records, assess.Split(resourcesOf(bundle))[0])
	}
	b.Run("decode", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			if _, _, err := fhir.DecodeWhole(all[n%len(all)]); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("split", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			assess.Split(resourcesOf(whole[n%len(whole)]))
		}
	})
	b.Run("read", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			chart.Read(records[n%len(records)].Entries, on.Sets, on.Models, on.Zone)
		}
	})
	b.Run("patient", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			assess.Patient(records[n%len(records)], on, filter.NewDay(2026, 3, 1))
		}
	})
}
