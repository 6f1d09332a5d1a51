package dwellwatch

import (
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
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
