package peertest

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The rules are those named at OwnFaults, from HL7's R4 (4.0.1) json.html, element.html, domainresource.html and
// references.html. Each wrong sample breaks one, beside the right one that differs only in that.
func TestOwnFaults(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name     string
		resource string
		want     []string
	}{
		{"json.html, arrays: right", `{"resourceType":"Task","note":[{"text":"a"}]}`, nil},
		{"json.html, arrays: wrong", `{"resourceType":"Task","note":[]}`, []string{"Task.note: an array is never empty"}},
		{"json.html, objects: right", `{"resourceType":"Task","code":{"text":"a"}}`, nil},
		{
			"json.html, objects: wrong", `{"resourceType":"Task","code":{},"note":[{"text":"a"},{}]}`,
			[]string{"Task.code: an object is never empty (ele-1)", "Task.note[1]: an object is never empty (ele-1)"},
		},
		{"json.html, strings: right", `{"resourceType":"Task","description":"a"}`, nil},
		{"json.html, strings: wrong", `{"resourceType":"Task","description":""}`, []string{"Task.description: a string is never empty"}},
		{
			"json.html, null: right, HL7's own example of the two arrays",
			`{"resourceType":"X","code":["au","nz"],"_code":[null,{"extension":[{"url":"u","valueString":"v"}]}]}`, nil,
		},
		{
			"json.html, null: right, a value that has only an extension",
			`{"resourceType":"X","code":[null,"nz"],"_code":[{"extension":[{"url":"u","valueString":"v"}]},null]}`, nil,
		},
		{
			"json.html, null: wrong, at the same place in both arrays",
			`{"resourceType":"X","code":[null,"nz"],"_code":[null,{"id":"a"}]}`,
			[]string{"X.code[0]: null fills no gap", "X._code[0]: null fills no gap"},
		},
		{
			"json.html, null: wrong, without a second array",
			`{"resourceType":"X","code":["au",null]}`, []string{"X.code[1]: null fills no gap"},
		},
		{
			"json.html, null: wrong, outside an array",
			`{"resourceType":"X","birthDate":null,"_birthDate":{"extension":[{"url":"u","valueString":"v"}]}}`,
			[]string{"X.birthDate: null stands for nothing outside an array"},
		},
		{
			"json.html, unique names: wrong", `{"resourceType":"Task","code":{"text":"a","text":"b"}}`,
			[]string{"Task.code.text: the property is given twice"},
		},
		{"ele-1: right, an id beside a value", `{"resourceType":"X","code":{"id":"a","text":"b"},"d":"2020","_d":{"id":"a"}}`, nil},
		{
			"ele-1: wrong, an id alone", `{"resourceType":"X","code":{"id":"a"},"_d":{"id":"a"}}`,
			[]string{
				"X.code: an element with an id alone has no value (ele-1)",
				"X._d: an element with an id alone has no value (ele-1)",
			},
		},
		{
			"dom-3: right, referred to by the resource",
			`{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d"}],"requester":{"reference":"#d"}}`, nil,
		},
		{
			"dom-3: right, referred to by a canonical",
			`{"resourceType":"Task","contained":[{"resourceType":"ActivityDefinition","id":"d"}],"instantiatesCanonical":"#d"}`, nil,
		},
		{
			"dom-3: right, referred to by another contained resource",
			`{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d","owner":{"reference":"#o"}},` +
				`{"resourceType":"Organization","id":"o"}],"requester":{"reference":"#d"}}`, nil,
		},
		{
			"dom-3: right, refers to the containing resource",
			`{"resourceType":"Task","contained":[{"resourceType":"Provenance","id":"p","target":[{"reference":"#"}]}]}`, nil,
		},
		{
			"dom-3: wrong, nothing refers to it",
			`{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d"}],"requester":{"reference":"Device/d"}}`,
			[]string{"Task.contained[0]: nothing refers to it (dom-3)"},
		},
		{
			"dom-3: wrong, refers only to itself",
			`{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d","parent":{"reference":"#d"}}]}`,
			[]string{"Task.contained[0]: nothing refers to it (dom-3)"},
		},
		{
			"dom-3: wrong, no id",
			`{"resourceType":"Task","contained":[{"resourceType":"Device"}]}`,
			[]string{"Task.contained[0]: nothing refers to it (dom-3)"},
		},
		{
			"references.html: wrong, a reference into nothing",
			`{"resourceType":"Task","requester":{"reference":"#d"}}`,
			[]string{"Task.requester.reference: #d is not a contained resource"},
		},
		{
			"references.html: wrong, a contained resource's reference into nothing",
			`{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d","owner":{"reference":"#o"}}],"requester":{"reference":"#d"}}`,
			[]string{"Task.contained[0].owner.reference: #o is not a contained resource"},
		},
		{
			"a Bundle's entries are checked each on its own",
			`{"resourceType":"Bundle","entry":[` +
				`{"resource":{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d"}],"requester":{"reference":"#d"}}},` +
				`{"resource":{"resourceType":"Task","requester":{"reference":"#d"},"note":[]}}]}`,
			[]string{
				"Bundle.entry[1].resource.note: an array is never empty",
				"Bundle.entry[1].resource.requester.reference: #d is not a contained resource",
			},
		},
		{
			"faults inside a contained resource",
			`{"resourceType":"Task","contained":[{"resourceType":"Device","id":"d","note":[]}],"requester":{"reference":"#d"}}`,
			[]string{"Task.contained[0].note: an array is never empty"},
		},
		{"not an object", `[]`, []string{"not a JSON object"}},
		{"two values", `{"resourceType":"Task"} {}`, []string{"not JSON: more than one JSON value"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tt.want, OwnFaults(json.RawMessage(tt.resource))); diff != "" {
				t.Errorf("faults (-want +got):\n%s", diff)
			}
		})
	}
}
