package dwellwatch

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"dwellwatch/internal/plan"
)

// kin-openapi checks the document against OpenAPI 3.1, and its examples against its schemas.
func TestOpenAPIIsValid(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData([]byte(OpenAPI()))
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(t.Context(), openapi3.EnableExamplesValidation()); err != nil {
		t.Error(err)
	}
	if !strings.HasPrefix(doc.OpenAPI, "3.1") {
		t.Errorf("the document is OpenAPI %s, not 3.1", doc.OpenAPI)
	}
	seen := map[string]string{}
	for path, item := range doc.Paths.Map() {
		for method, operation := range item.Operations() {
			at := method + " " + path
			if operation.OperationID == "" || seen[operation.OperationID] != "" {
				t.Errorf("%s: operationId %q is missing or also that of %s", at, operation.OperationID, seen[operation.OperationID])
			}
			seen[operation.OperationID] = at
			if operation.Summary == "" || len(operation.Tags) != 1 {
				t.Errorf("%s has no summary or not one tag", at)
			}
		}
	}
}

// TestOpenAPIDescribesThePlan: every member of a plan stands in the document, is required there, and no other does.
func TestOpenAPIDescribesThePlan(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData([]byte(OpenAPI()))
	if err != nil {
		t.Fatal(err)
	}
	for schema, value := range map[string]any{"Plan": plan.Plan{}, "PlanStatement": plan.Statement{}, "PlanPredictor": plan.Predictor{}, "PlanApproach": plan.Approach{}, "PlanReason": plan.Reason{},
		"PlanRoute": plan.Route{}, "PlanStep": plan.Step{}, "PlanSheath": plan.Sheath{}, "PlanItem": plan.Item{}, "PlanImaging": plan.Imaging{}, "PlanStudy": plan.Study{}, "PlanAdvice": plan.Advice{},
		"PlanLaboratory": plan.Laboratory{}, "PlanTest": plan.Test{}, "PlanContrast": plan.Contrast{}, "PlanAnticoagulation": plan.Anticoagulation{}, "PlanHold": plan.AgentHold{},
		"PlanClearance": plan.Clearance{}, "PlanAsk": plan.Ask{}} {
		ref := doc.Components.Schemas[schema]
		if ref == nil {
			t.Errorf("%s is not described", schema)
			continue
		}
		body, err := json.Marshal(value)
		if err != nil {
			t.Fatal(err)
		}
		var members map[string]any
		if err := json.Unmarshal(body, &members); err != nil {
			t.Fatal(err)
		}
		got := slices.Sorted(maps.Keys(members))
		if described := slices.Sorted(maps.Keys(ref.Value.Properties)); !slices.Equal(got, described) {
			t.Errorf("%s: members %v, described %v", schema, got, described)
		}
		if required := slices.Sorted(slices.Values(ref.Value.Required)); !slices.Equal(got, required) {
			t.Errorf("%s: members %v, required %v", schema, got, required)
		}
	}
}

// A response that no operation uses says something that is not so.
func TestOpenAPIComponentsAreUsed(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData([]byte(OpenAPI()))
	if err != nil {
		t.Fatal(err)
	}
	used := func(kind, name string) {
		if !strings.Contains(OpenAPI(), "'#/components/"+kind+"/"+name+"'") {
			t.Errorf("components/%s/%s is not used", kind, name)
		}
	}
	for name := range doc.Components.Responses {
		used("responses", name)
	}
	for name := range doc.Components.Schemas {
		used("schemas", name)
	}
	for name := range doc.Components.Headers {
		used("headers", name)
	}
	for name := range doc.Components.Parameters {
		used("parameters", name)
	}
	for name := range doc.Components.RequestBodies {
		used("requestBodies", name)
	}
}
