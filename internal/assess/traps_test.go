package assess_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// answerTo assesses entries of the patient p on 1 March 2026 and gives the answer of the one filter in short: standing, the
// level of anticoagulation, what could not be read.
func answerTo(t *testing.T, bodies ...string) string {
	t.Helper()
	resources := []fhir.Resource{mustDecode(t, `{"resourceType":"Patient","id":"p"}`)}
	for _, body := range bodies {
		resources = append(resources, mustDecode(t, body))
	}
	records := assess.Split(resources)
	if len(records) != 1 {
		t.Fatalf("%d records", len(records))
	}
	a := assess.Patient(records[0], basis(t), filter.NewDay(2026, 3, 1)).Assessment
	var parts []string
	for _, f := range a.Filters {
		parts = append(parts, f.Standing, f.Anticoagulation.Level)
	}
	for _, u := range a.Unread {
		parts = append(parts, u.Path)
	}
	return strings.Join(parts, " ")
}

const (
	trapPlacement = `{"resourceType":"Procedure","id":"in",STATUS"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},
		"subject":{"reference":"Patient/p"},"performedDateTime":"2025-10-01"}`
	trapOrder = `{"resourceType":"MedicationRequest","id":"mr","contained":[{"resourceType":"Medication","id":"m","code":{"coding":[
		{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"1364430","display":"apixaban"}],"text":"apixaban 5 MG Oral Tablet"}}],
		"status":"active","intent":"order","medicationReference":{"reference":"#m"},"subject":{"reference":"Patient/p"},"authoredOn":"2025-12-01",
		"dosageInstruction":[{"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg"}}]}]}`
	trapUse = `{"resourceType":"DeviceUseStatement","id":"use","contained":[{"resourceType":"Device","id":"d","deviceName":[{"name":"vena cava filter","type":"user-friendly-name"}]}],
		"status":"active","subject":{"reference":"Patient/p"},"timingDateTime":"2025-10-01","device":{"reference":"#d"}}`
)

func placedWith(status string) string { return strings.Replace(trapPlacement, "STATUS", status, 1) }

// readAndWritten is what a service that keeps samply's structs would go on with.
func readAndWritten[R any](t *testing.T, read func([]byte) (R, error), body string) string {
	t.Helper()
	r, err := read([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	out, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// TestTrapsReachTheAnswer holds that what generated structs lose (see package fhir, traps) is used: each answer stands beside
// the one that a document would get that went through samply's structs first.
func TestTrapsReachTheAnswer(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		want string
		got  func(t *testing.T) string
		// theirs gives the answer after samply, which is lost; of what samply cannot read nothing is left. That samply writes
		// two medications for one (package fhir shows it) is taken back, so that the other loss is seen.
		theirs func(t *testing.T) string
		lost   string
	}{
		"a placement without a status is a claim, not one in preparation": {
			want: "unclear unknown Procedure.status",
			got:  func(t *testing.T) string { return answerTo(t, placedWith("")) },
			theirs: func(t *testing.T) string {
				return answerTo(t, readAndWritten(t, samply.UnmarshalProcedure, placedWith("")))
			},
			lost: "",
		},
		"a placement with a status in capitals is a claim": {
			want: "unclear unknown Procedure.status",
			got:  func(t *testing.T) string { return answerTo(t, placedWith(`"status":"COMPLETED",`)) },
			theirs: func(t *testing.T) string {
				if _, err := samply.UnmarshalProcedure([]byte(placedWith(`"status":"COMPLETED",`))); err == nil {
					t.Error("samply reads it by now")
				}
				return answerTo(t)
			},
			lost: "",
		},
		"a contained medication is the one that is ordered": {
			want: "in-place therapeutic",
			got:  func(t *testing.T) string { return answerTo(t, placedWith(`"status":"completed",`), trapOrder) },
			theirs: func(t *testing.T) string {
				return answerTo(t, placedWith(`"status":"completed",`), strings.Replace(readAndWritten(t, samply.UnmarshalMedicationRequest, trapOrder), `"medicationCodeableConcept":{},`, "", 1))
			},
			lost: "in-place unknown",
		},
		"a contained device tells that it is a filter that is in use": {
			want: "in-place unknown",
			got:  func(t *testing.T) string { return answerTo(t, trapUse) },
			theirs: func(t *testing.T) string {
				return answerTo(t, readAndWritten(t, samply.UnmarshalDeviceUseStatement, trapUse))
			},
			lost: "",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(c.want, c.got(t)); diff != "" {
				t.Errorf("the answer (-want +got):\n%s", diff)
			}
			if got := c.theirs(t); got != c.lost {
				t.Errorf("after samply: %q, want %q", got, c.lost)
			}
		})
	}
}
