package fhir

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

func TestElementsOfAWrongKindAreRefused(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ body, issues string }{
		"code is a list":           {`{"resourceType":"Procedure","code":[{"text":"a"}]}`, "error structure Procedure.code"},
		"code is a string":         {`{"resourceType":"Procedure","code":"37191"}`, "error structure Procedure.code"},
		"code is null":             {`{"resourceType":"Procedure","code":null}`, "error structure Procedure.code"},
		"coding is an object":      {`{"resourceType":"Procedure","code":{"coding":{"code":"37191"}}}`, "error structure Procedure.code.coding"},
		"code in coding, a number": {`{"resourceType":"Procedure","code":{"coding":[{"code":"a"},{"code":37191}]}}`, "error structure Procedure.code.coding[1].code"},
		"subject is a string":      {`{"resourceType":"Procedure","subject":"Patient/x"}`, "error structure Procedure.subject"},
		"reference is an object":   {`{"resourceType":"DeviceUseStatement","subject":{"reference":{}}}`, "error structure DeviceUseStatement.subject.reference"},
		"patient is a list":        {`{"resourceType":"Device","patient":[{"reference":"Patient/x"}]}`, "error structure Device.patient"},
		"status is a list":         {`{"resourceType":"Device","status":["active"]}`, "error structure Device.status"},
		"performed is a string":    {`{"resourceType":"Procedure","performedPeriod":"2024"}`, "error structure Procedure.performedPeriod"},
		"performed is an object":   {`{"resourceType":"Procedure","performedDateTime":{"start":"2024"}}`, "error structure Procedure.performedDateTime"},
		"end is a number":          {`{"resourceType":"Procedure","performedPeriod":{"end":2024}}`, "error structure Procedure.performedPeriod.end"},
		"onset is a number":        {`{"resourceType":"Condition","onsetDateTime":2024}`, "error structure Condition.onsetDateTime"},
		"identifier is an object":  {`{"resourceType":"Task","identifier":{"system":"a"}}`, "error structure Task.identifier"},
		"carrier is an object":     {`{"resourceType":"Device","udiCarrier":{"deviceIdentifier":"1"}}`, "error structure Device.udiCarrier"},
		"names are strings":        {`{"resourceType":"Device","deviceName":["vena cava filter"]}`, "error structure Device.deviceName[0]"},
		"a dosage as an object":    {`{"resourceType":"MedicationRequest","dosageInstruction":{"text":"a"}}`, "error structure MedicationRequest.dosageInstruction"},
		"a dosage as a list":       {`{"resourceType":"MedicationAdministration","dosage":[{"text":"a"}]}`, "error structure MedicationAdministration.dosage"},
		"evidence code":            {`{"resourceType":"Condition","evidence":[{"code":{"text":"a"}}]}`, "error structure Condition.evidence[0].code"},
		"inside a contained one":   {`{"resourceType":"Procedure","contained":[{"resourceType":"Device","type":["a"]}]}`, "error structure Procedure.contained[0].type"},
		"all at once": {`{"resourceType":"Device","status":1,"patient":"Patient/x","type":[],"id":"a_b"}`,
			"error value Device.id, error structure Device.status, error structure Device.patient, error structure Device.type"},
		"two performed": {`{"resourceType":"Procedure","performedDateTime":"2024","performedPeriod":{"start":"2024"},"performedString":"a"}`, "error structure Procedure.performed"},
		"two onsets":    {`{"resourceType":"Condition","onsetDateTime":"2024","onsetString":"may"}`, "error structure Condition.onset"},
		"two deaths":    {`{"resourceType":"Patient","deceasedBoolean":true,"deceasedDateTime":"2024"}`, "error structure Patient.deceased"},
		"two in a dosage": {`{"resourceType":"MedicationStatement","dosage":[{"asNeededBoolean":true,"asNeededCodeableConcept":{"text":"pain"}}]}`,
			"error structure MedicationStatement.dosage[0].asNeeded"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := Decode([]byte(c.body))
			var invalid *Invalid
			if !errors.As(err, &invalid) {
				t.Fatalf("got %v, want *Invalid", err)
			}
			if diff := cmp.Diff(c.issues, summary(invalid.Issues)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestElementsThatMayLookOddAreTaken(t *testing.T) {
	t.Parallel()
	for _, body := range []string{
		`{"resourceType":"Procedure","performedDateTime":"2024","_performedDateTime":{"id":"a"},"performer":"not read"}`,
		`{"resourceType":"Observation","valueQuantity":{"value":"45"},"valueset":"no choice","component":[{"valueString":"a","valueInteger":1}]}`,
		`{"resourceType":"Patient","name":[{"given":["A",null],"_given":[null,{"id":"b"}]}]}`,
		`{"resourceType":"Procedure","contained":[{"resourceType":"Organization","name":["not read"]}]}`,
		`{"resourceType":"Immunization","status":7}`,
	} {
		if _, err := Decode([]byte(body)); err != nil {
			t.Errorf("%s: %v", body, err)
		}
	}
}

func TestAnEntryOfAWrongKindIsThatEntrysFault(t *testing.T) {
	t.Parallel()
	r, err := Decode([]byte(`{"resourceType":"Bundle","type":"batch","entry":[{"resource":{"resourceType":"Device"}},{"resource":{"resourceType":"Device","type":[]}}]}`))
	if err != nil {
		t.Fatal(err)
	}
	b, err := DecodeBundle(r)
	if err != nil {
		t.Fatal(err)
	}
	if b.Entries[0].Fault != nil || b.Entries[1].Fault == nil {
		t.Fatalf("faults: %v, %v", b.Entries[0].Fault, b.Entries[1].Fault)
	}
	if got := summary(b.Entries[1].Fault.Issues); got != "error structure Bundle.entry[1].resource.type" {
		t.Errorf("got %s", got)
	}
}

// samply's structs are generated from HL7's definitions, so they tell the kind of every element.
func TestShapesAgreeWithSamply(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for name, typ := range map[string]reflect.Type{
		"AllergyIntolerance": reflect.TypeFor[samply.AllergyIntolerance](), "Appointment": reflect.TypeFor[samply.Appointment](),
		"Condition": reflect.TypeFor[samply.Condition](), "Device": reflect.TypeFor[samply.Device](),
		"DeviceUseStatement": reflect.TypeFor[samply.DeviceUseStatement](), "DiagnosticReport": reflect.TypeFor[samply.DiagnosticReport](),
		"DocumentReference": reflect.TypeFor[samply.DocumentReference](), "Encounter": reflect.TypeFor[samply.Encounter](),
		"ImagingStudy": reflect.TypeFor[samply.ImagingStudy](), "Medication": reflect.TypeFor[samply.Medication](),
		"MedicationAdministration": reflect.TypeFor[samply.MedicationAdministration](),
		"MedicationDispense":       reflect.TypeFor[samply.MedicationDispense](), "MedicationRequest": reflect.TypeFor[samply.MedicationRequest](),
		"MedicationStatement": reflect.TypeFor[samply.MedicationStatement](), "Observation": reflect.TypeFor[samply.Observation](),
		"Patient": reflect.TypeFor[samply.Patient](), "Procedure": reflect.TypeFor[samply.Procedure](),
		"ServiceRequest": reflect.TypeFor[samply.ServiceRequest](), "Task": reflect.TypeFor[samply.Task](),
	} {
		compareShape(t, seen, name, "Resource", typ)
		compareShape(t, seen, name, name, typ)
	}
	for _, part := range []string{"Coding", "Dosage", "Period", "Reference", "Quantity", "TimingRepeat", "Extension", "DeviceUdiCarrier", "ConditionEvidence"} {
		if !seen[part] {
			t.Errorf("%s was not reached", part)
		}
	}
}

func compareShape(t *testing.T, seen map[string]bool, path, kind string, typ reflect.Type) {
	fields := map[string]reflect.Type{}
	for i := range typ.NumField() {
		name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
		fields[name] = typ.Field(i).Type
	}
	for _, choice := range choices(kindNamed(kind)) {
		if choice == "" {
			continue
		}
		variants := 0
		for name := range fields {
			if rest, ok := strings.CutPrefix(name, choice); ok && rest != "" && rest[0] >= 'A' && rest[0] <= 'Z' {
				variants++
			}
		}
		if variants < 2 {
			t.Errorf("%s.%s[x] has %d types in FHIR", path, choice, variants)
		}
	}
	if seen[kind] {
		return
	}
	seen[kind] = kind != "Resource"
	for word := range strings.FieldsSeq(shape(kind)) {
		name, want, _ := strings.Cut(word, ":")
		if got := elementOf(kindNamed(kind), name); got != kindSaid(want) {
			t.Errorf("%s.%s is of kind %d, want %s", kind, name, got, want)
		}
		field, ok := fields[name]
		if name == "contained" {
			continue // samply leaves it out; http://hl7.org/fhir/R4/domainresource.html has it as a list of resources
		}
		if !ok {
			t.Errorf("%s.%s is not in FHIR", path, name)
			continue
		}
		got, inner := kindOfField(field)
		one, list := strings.CutSuffix(want, "*")
		expected := "object"
		if one == "string" {
			expected = "string"
		}
		if list {
			expected += "*"
		}
		if got != expected {
			t.Errorf("%s.%s is %s here and %s in FHIR", path, name, expected, got)
		}
		if one != "string" && one != "object" && one != "Contained" && inner.Kind() == reflect.Struct {
			if shape(one) == "" {
				t.Errorf("%s.%s: no shape %s", path, name, one)
			}
			compareShape(t, seen, path+"."+name, one, inner)
		}
	}
}

// kindSaid reads a type as shape writes it.
func kindSaid(typ string) kind {
	one, many := strings.CutSuffix(typ, "*")
	is := kindNamed(one)
	switch one {
	case "string":
		is = kindString
	case "object":
		is = kindObject
	case "Contained":
		is = kindContained
	}
	if many {
		is |= list
	}
	return is
}

// kindOfField gives the JSON kind of an element and the type of one of it. Codes are numbers with a Code method there.
func kindOfField(t reflect.Type) (string, reflect.Type) {
	suffix := ""
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Slice && t.Elem().Kind() != reflect.Uint8 {
		suffix, t = "*", t.Elem()
	}
	_, code := t.MethodByName("Code")
	switch {
	case code || t.Kind() == reflect.String:
		return "string" + suffix, t
	case t.Kind() == reflect.Struct || t.Kind() == reflect.Slice || t.Kind() == reflect.Interface:
		return "object" + suffix, t
	}
	return t.String() + suffix, t
}
