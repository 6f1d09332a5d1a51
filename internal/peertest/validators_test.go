package peertest

import (
	"encoding/json"
	"strings"
	"testing"
)

const rightTask = `{"resourceType":"Task","status":"draft","intent":"proposal","authoredOn":"2026-03-01T10:00:00Z",` +
	`"contained":[{"resourceType":"Device","id":"d","status":"active"}],"requester":{"reference":"#d"},` +
	`"for":{"reference":"Patient/p1"}}`

// What each validator of others finds and what it lets pass, rule by rule of R4's Task (task.html) and data types
// (datatypes.html). What both let pass is why OwnFaults exists.
func TestValidators(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name     string
		old, new string // what is changed in rightTask
		schema   string // a part of the schema's one or more faults, "" for none
		google   string
	}{
		{"right", "", "", "", ""},
		{"status is 1..1", `"status":"draft",`, "", "", `missing required field "status"`},
		{"no such element", `"for"`, `"forr"`, "additional properties 'forr' not allowed", "unknown field"},
		{"status is of task-status", `"draft"`, `"bogus"`, "Task.status: ", "code"},
		{"a dateTime with a time has a zone", "00Z", "00", "Task.authoredOn: ", "Task.authoredOn"},
		{"requester is of certain types", `"#d"`, `"Condition/c1"`, "", "requester"},
		{"no such element in a contained resource", `"status":"active"`, `"bogus":"a"`, "Task.contained[0]: additional properties 'bogus'", "unknown field"},
		{"no empty array", `"for"`, `"note":[],"for"`, "", ""},
		{"no property twice", `"for"`, `"status":"draft","for"`, "", ""},
	}
	var resources []json.RawMessage
	for _, tt := range tests {
		resource := strings.Replace(rightTask, tt.old, tt.new, 1)
		if (resource == rightTask) != (tt.old == tt.new) {
			t.Fatalf("%s: the sample is not changed", tt.name)
		}
		resources = append(resources, json.RawMessage(resource))
	}
	google := GoogleFHIRErrors(t, resources...)
	for i, tt := range tests {
		checkFaults(t, tt.name+", HL7's schema", SchemaErrors(t, resources[i]), tt.schema)
		checkFaults(t, tt.name+", google/fhir", google[i], tt.google)
	}
}

// A Bundle's entries are judged by their own types, and the place of a fault is named.
func TestSchemaErrorsOfBundle(t *testing.T) {
	t.Parallel()
	bundle := `{"resourceType":"Bundle","type":"transaction","entry":[{"resource":` + rightTask +
		`,"request":{"method":"POST","url":"Task"}},{"resource":{"resourceType":"Provenance","x":1},` +
		`"request":{"method":"POST","url":"Provenance"}}]}`
	checkFaults(t, "Bundle", SchemaErrors(t, json.RawMessage(bundle)), "Bundle.entry[1].resource: additional properties 'x'")
	checkFaults(t, "type", SchemaErrors(t, json.RawMessage(`{"resourceType":"Tusk"}`)), `"Tusk" is not an R4 resource type`)
	checkFaults(t, "text", SchemaErrors(t, json.RawMessage(`{`)), "not JSON")
}

func checkFaults(t *testing.T, name string, got []string, want string) {
	t.Helper()
	all := strings.Join(got, "; ")
	if (want == "") != (len(got) == 0) || !strings.Contains(all, want) {
		t.Errorf("%s: faults %q, want %q", name, all, want)
	}
}
