package main

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
)

// The right Task has what R4 demands of one (task.html: status and intent, 1..1); each wrong one breaks one rule.
const rightTask = `{"resourceType":"Task","status":"draft","intent":"proposal","authoredOn":"2026-03-01T10:00:00Z",` +
	`"for":{"reference":"Patient/p1"}}`

func TestRun(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		input string
		types []string
		want  []string // a part of each line's errors, "" for none
	}{
		{"right", rightTask + "\n", []string{"Task"}, []string{""}},
		{"status missing", strings.Replace(rightTask, `"status":"draft",`, "", 1), []string{"Task"}, []string{"status"}},
		{"dateTime without zone", strings.Replace(rightTask, "00Z", "00", 1), []string{"Task"}, []string{"authoredOn"}},
		{"unknown field", strings.Replace(rightTask, `"for"`, `"forr"`, 1), []string{"Task"}, []string{"unknown field"}},
		{"not JSON", "{", []string{""}, []string{"not a JSON resource"}},
		{
			"wrong between right, blank lines passed over",
			rightTask + "\n\n" + `{"resourceType":"Task"}` + "\n" + rightTask,
			[]string{"Task", "Task", "Task"}, []string{"", "status", ""},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			var out strings.Builder
			valid, err := run(strings.NewReader(tt.input), &out)
			if err != nil {
				t.Fatal(err)
			}
			var types []string
			wantValid := true
			for i, line := range strings.Split(strings.TrimSpace(out.String()), "\n") {
				var v verdict
				if err := json.Unmarshal([]byte(line), &v); err != nil {
					t.Fatalf("line %d: %v", i+1, err)
				}
				types = append(types, v.ResourceType)
				if v.Errors == nil {
					t.Errorf("line %d: errors is null, want a list", i+1)
				}
				got := strings.Join(v.Errors, "; ")
				if (tt.want[i] == "") != (got == "") || !strings.Contains(got, tt.want[i]) {
					t.Errorf("line %d: errors %q, want one about %q", i+1, got, tt.want[i])
				}
				wantValid = wantValid && tt.want[i] == ""
			}
			if !reflect.DeepEqual(types, tt.types) {
				t.Errorf("types %q, want %q", types, tt.types)
			}
			if valid != wantValid {
				t.Errorf("valid = %t, want %t", valid, wantValid)
			}
		})
	}
}
