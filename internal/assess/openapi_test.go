package assess_test

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"

	"dwellwatch"
	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/filter"
)

// TestOpenAPIDescribesTheAnswer: the schemas name the members of the answer's types and no others, and the answers about the invented
// hospital fit them.
func TestOpenAPIDescribesTheAnswer(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData([]byte(dwellwatch.OpenAPI()))
	if err != nil {
		t.Fatal(err)
	}
	for name, of := range map[string]any{
		"Assessment": assess.Assessment{}, "Filter": assess.Filter{}, "Range": assess.Range{}, "Band": assess.Band{}, "Days": assess.Days{}, "Model": assess.Model{},
		"Anticoagulation": assess.Anticoagulation{}, "Finding": assess.Finding{}, "Contradiction": assess.Contradiction{}, "FollowUp": assess.FollowUp{}, "Contact": assess.Contact{}, "NotAttempted": assess.NotAttempted{}, "Missing": assess.Missing{}, "Event": assess.Event{},
	} {
		schema := doc.Components.Schemas[name]
		if schema == nil {
			t.Errorf("no schema %s", name)
			continue
		}
		var told, members []string
		for member := range schema.Value.Properties {
			told = append(told, member)
		}
		for i, typ := 0, reflect.TypeOf(of); i < typ.NumField(); i++ {
			member, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
			members = append(members, member)
		}
		slices.Sort(told)
		slices.Sort(members)
		if diff := cmp.Diff(members, told); diff != "" {
			t.Errorf("%s (-type +schema):\n%s", name, diff)
		}
	}
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	day, err := filter.ParseDay(demo.Day)
	if err != nil {
		t.Fatal(err)
	}
	b := basis(t)
	for _, p := range patients {
		var sent []fhir.Resource
		for _, step := range p.Steps {
			sent = append(sent, resources(t, step.Bundle)...)
		}
		for _, record := range assess.Split(sent) {
			body, err := json.Marshal(assess.Patient(record, b, day).Assessment)
			if err != nil {
				t.Fatal(err)
			}
			var answer any
			if err := json.Unmarshal(body, &answer); err != nil {
				t.Fatal(err)
			}
			if err := doc.Components.Schemas["Assessment"].Value.VisitJSON(answer); err != nil {
				t.Errorf("%s: %v", p.Steps[0].File, err)
			}
		}
	}
}
