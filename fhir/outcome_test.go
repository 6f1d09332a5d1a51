package fhir

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// samply's structs are generated from HL7's definitions, so they are an independent reader of what we write.
func TestOutcomeIsReadByAnotherLibrary(t *testing.T) {
	t.Parallel()
	body := Outcome(Issue{"error", "structure", "Bundle.entry[3].resource.code", "text & <more>"}, Issue{Severity: "warning", Code: "value"})
	o, err := samply.UnmarshalOperationOutcome(body)
	if err != nil {
		t.Fatal(err)
	}
	first := o.Issue[0]
	if len(o.Issue) != 2 || first.Severity.Code() != "error" || first.Code.Code() != "structure" ||
		first.Expression[0] != "Bundle.entry[3].resource.code" || *first.Details.Text != "text & <more>" {
		t.Errorf("read back as %+v", o)
	}
	if strings.Contains(string(body), "null") || strings.Contains(string(body), `""`) || strings.Contains(string(body), "[]") {
		t.Errorf("a member is empty: %s", body)
	}
	if o, err := samply.UnmarshalOperationOutcome(Outcome()); err != nil || len(o.Issue) != 1 || o.Issue[0].Code.Code() != "informational" {
		t.Errorf("without issues: %+v, %v", o, err)
	}
}

// codes reads the codes of one of samply's generated enumerations.
func codes[T interface {
	~int
	Code() string
}]() []string {
	var out []string
	for i := 0; T(i).Code() != "<unknown>"; i++ {
		out = append(out, T(i).Code())
	}
	slices.Sort(out)
	return out
}

func TestStatusCodesAgreeWithSamply(t *testing.T) {
	t.Parallel()
	for typ, want := range map[string][]string{
		"Procedure":          codes[samply.EventStatus](),
		"DeviceUseStatement": codes[samply.DeviceUseStatementStatus](),
		"Device":             codes[samply.FHIRDeviceStatus](),
		"Observation":        codes[samply.ObservationStatus](),
		"DiagnosticReport":   codes[samply.DiagnosticReportStatus](),
		"ImagingStudy":       codes[samply.ImagingStudyStatus](),
		"ServiceRequest":     codes[samply.RequestStatus](),
		"Appointment":        codes[samply.AppointmentStatus](),
		"Encounter":          codes[samply.EncounterStatus](),
		"Task":               codes[samply.TaskStatus](),
		"DocumentReference":  codes[samply.DocumentReferenceStatus](),
	} {
		got := append(statuses(typ), optionalStatuses(typ)...)
		slices.Sort(got)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-samply +ours):\n%s", typ, diff)
		}
	}
}

func TestWarnings(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ body, want string }{
		"all well":               {`{"resourceType":"Procedure","status":"completed","performedDateTime":"2024-02-29"}`, ""},
		"partial dates":          {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2024","end":"2024-05"}}`, ""},
		"no status":              {`{"resourceType":"Procedure"}`, "warning required Procedure.status"},
		"unknown status":         {`{"resourceType":"Procedure","status":"Completed"}`, "warning code-invalid Procedure.status"},
		"optional missing":       {`{"resourceType":"Device"}`, ""},
		"optional unknown":       {`{"resourceType":"Device","status":"ACTIVE"}`, "warning code-invalid Device.status"},
		"no status element":      {`{"resourceType":"Patient","birthDate":"1960-04-31","deceasedDateTime":"2025-13"}`, "warning value Patient.birthDate, warning value Patient.deceasedDateTime"},
		"word of the type":       {`{"resourceType":"MedicationStatement","status":"not-taken"}`, ""},
		"of another type":        {`{"resourceType":"MedicationRequest","status":"not-taken","intent":"order"}`, "warning code-invalid MedicationRequest.status"},
		"no intent":              {`{"resourceType":"MedicationRequest","status":"active"}`, "warning required MedicationRequest.intent"},
		"unknown intent":         {`{"resourceType":"MedicationRequest","status":"active","intent":"Order"}`, "warning code-invalid MedicationRequest.intent"},
		"no intent element":      {`{"resourceType":"MedicationStatement","status":"active"}`, ""},
		"administration":         {`{"resourceType":"MedicationAdministration","status":"not-done","effectivePeriod":{"start":"2024-13"}}`, "warning value MedicationAdministration.effectivePeriod.start"},
		"dispense":               {`{"resourceType":"MedicationDispense","status":"declined","whenHandedOver":"2024-02-30T10:00:00Z"}`, "warning value MedicationDispense.whenHandedOver"},
		"no such day":            {`{"resourceType":"Procedure","status":"completed","performedDateTime":"2023-02-30"}`, "warning value Procedure.performedDateTime"},
		"period":                 {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2023-02-29","end":"2023-03-01"}}`, "warning value Procedure.performedPeriod.start"},
		"both sides":             {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"x","end":"y"}}`, "warning value Procedure.performedPeriod.start, warning value Procedure.performedPeriod.end"},
		"ends before":            {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2024-05-02","end":"2024-05-01"}}`, "warning invariant Procedure.performedPeriod"},
		"ends a year before":     {`{"resourceType":"Encounter","status":"finished","period":{"start":"2024","end":"2023-12"}}`, "warning invariant Encounter.period"},
		"may end before":         {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2024-05","end":"2024"}}`, ""},
		"ends an hour before":    {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2024-05-01T10:00:00+02:00","end":"2024-05-01T09:00:00+02:00"}}`, "warning invariant Procedure.performedPeriod"},
		"ends before, by offset": {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2024-05-01T10:00:00Z","end":"2024-05-01T10:30:00+02:00"}}`, "warning invariant Procedure.performedPeriod"},
		"no offset":              {`{"resourceType":"Procedure","status":"completed","performedDateTime":"2024-05-01T10:00:00"}`, "warning value Procedure.performedDateTime"},
		"no offset in a period":  {`{"resourceType":"Procedure","status":"completed","performedPeriod":{"start":"2024-05-01T10:00:00Z","end":"2024-05-01T11:00:00.5"}}`, "warning value Procedure.performedPeriod.end"},
		"an offset":              {`{"resourceType":"Procedure","status":"completed","performedDateTime":"2024-05-01T10:00:00-05:00"}`, ""},
		"others":                 {`{"resourceType":"MedicationRequest","status":"active","intent":"plan","authoredOn":"0000"}`, "warning value MedicationRequest.authoredOn"},
		"instant":                {`{"resourceType":"Condition","onsetDateTime":"x","meta":{"lastUpdated":"2026-01-01"}}`, "warning value Condition.onsetDateTime, warning value Condition.meta.lastUpdated"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r, err := Decode([]byte(c.body))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, summary(Warnings(r))); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			for _, w := range Warnings(r) {
				if !json.Valid(Outcome(w)) {
					t.Errorf("no JSON for %+v", w)
				}
			}
		})
	}
}
