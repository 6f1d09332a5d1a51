package peertest

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

const schemaURL = "http://hl7.org/fhir/json-schema/4.0"

// hl7Schema is compiled at its first use, once per process (0.1 s to read, under a second to compile). It sits in a
// package variable since a testing.TB is all that SchemaErrors gets.
var hl7Schema = sync.OnceValues(loadSchema)

// schema hands out HL7's definition of one resource type at a time: the schema as a whole tries all 146 types on every
// resource and then names the faults of each.
type schema struct {
	mu       sync.Mutex // the compiler is not safe for concurrent use
	compiler *jsonschema.Compiler
	types    map[string]bool
}

func loadSchema() (*schema, error) {
	dir, err := os.Getwd()
	if err != nil {
		return nil, err
	}
	root, err := rootAbove(dir)
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(filepath.Join(peerFolder(root), "node_modules", "@asymmetrik",
		"fhir-json-schema-validator", "fhir.schema.json"))
	if err != nil {
		return nil, err
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	var head struct {
		Discriminator struct {
			Mapping map[string]string `json:"mapping"`
		} `json:"discriminator"`
	}
	if err := json.Unmarshal(text, &head); err != nil {
		return nil, err
	}
	s := &schema{compiler: jsonschema.NewCompiler(), types: map[string]bool{}}
	for name := range head.Discriminator.Mapping {
		s.types[name] = true
	}
	if err := s.compiler.AddResource(schemaURL, document); err != nil {
		return nil, err
	}
	return s, nil
}

// SchemaErrors validates one resource against HL7's R4 JSON schema (http://hl7.org/fhir/R4/json.html#schema) and
// returns its faults as "path: what", none if it is valid. Contained resources and the resources of a Bundle are
// validated by their own types.
//
// The schema is weak on purpose: required primitives, many codes, two values of one choice, empty arrays and what
// references point to are not in it. Ask GoogleFHIRErrors and OwnFaults too.
func SchemaErrors(t testing.TB, resource json.RawMessage) []string {
	t.Helper()
	needNodeModules(t, peerFolder(moduleRoot(t)))
	s, err := hl7Schema()
	if err != nil {
		t.Fatal("peertest: the R4 schema:", err)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(resource))
	if err != nil {
		return []string{"not JSON: " + err.Error()}
	}
	faults, err := s.validate("", document)
	if err != nil {
		t.Fatal("peertest: the R4 schema:", err)
	}
	return faults
}

// validate returns the faults of one resource at path, and of the resources in it.
func (s *schema) validate(path string, document any) ([]string, error) {
	resource, ok := document.(map[string]any)
	if !ok {
		return []string{path + ": not a resource"}, nil
	}
	resourceType, _ := resource["resourceType"].(string)
	if !s.types[resourceType] {
		return []string{fmt.Sprintf("%s: %q is not an R4 resource type", path, resourceType)}, nil
	}
	if path == "" {
		path = resourceType
	}
	var faults []string
	for _, part := range takeOutResources(resource) {
		inner, err := s.validate(path+"."+part.path, part.resource)
		if err != nil {
			return nil, err
		}
		faults = append(faults, inner...)
	}
	definition, err := s.definition(resourceType)
	if err != nil {
		return nil, err
	}
	err = definition.Validate(resource)
	var invalid *jsonschema.ValidationError
	if errors.As(err, &invalid) {
		return append(schemaFaults(path, invalid), faults...), nil
	}
	return faults, err
}

func (s *schema) definition(resourceType string) (*jsonschema.Schema, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.compiler.Compile(schemaURL + "#/definitions/" + resourceType) // the compiler keeps what it compiled
}

type resourcePart struct {
	path     string
	resource any
}

// takeOutResources removes the contained resources of a resource and the entries' resources of a Bundle, and returns
// them. An empty list, which the schema allows, becomes no list: OwnFaults names it.
func takeOutResources(resource map[string]any) []resourcePart {
	var parts []resourcePart
	if contained, ok := resource["contained"].([]any); ok {
		delete(resource, "contained")
		for i, c := range contained {
			parts = append(parts, resourcePart{fmt.Sprintf("contained[%d]", i), c})
		}
	}
	entries, _ := resource["entry"].([]any)
	if resource["resourceType"] != "Bundle" {
		return parts
	}
	for i, e := range entries {
		entry, _ := e.(map[string]any)
		if inner, ok := entry["resource"]; ok {
			delete(entry, "resource")
			parts = append(parts, resourcePart{fmt.Sprintf("entry[%d].resource", i), inner})
		}
	}
	return parts
}

// schemaFaults are the innermost causes of an error, sorted and each once.
func schemaFaults(path string, err *jsonschema.ValidationError) []string {
	var faults []string
	for _, unit := range err.BasicOutput().Errors {
		if unit.Error == nil {
			continue
		}
		where := path + strings.ReplaceAll(unit.InstanceLocation, "/", ".")
		faults = append(faults, where+": "+unit.Error.String())
	}
	slices.Sort(faults)
	return slices.Compact(faults)
}
