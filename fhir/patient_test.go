package fhir

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestNoPatientNamesTheElementAndTheReason(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ body, want, words string }{
		"missing":      {`{"resourceType":"Procedure"}`, "warning required Procedure.subject", "no patient is named"},
		"device":       {`{"resourceType":"Device"}`, "warning required Device.patient", "names this device"},
		"display":      {`{"resourceType":"Procedure","subject":{"display":"Jo Doe"}}`, "warning required Procedure.subject", "display alone"},
		"identifier":   {`{"resourceType":"DeviceUseStatement","subject":{"identifier":{"value":"Jo Doe"}}}`, "warning not-supported DeviceUseStatement.subject", "identifier only"},
		"elsewhere":    {`{"resourceType":"Procedure","subject":{"reference":"https://elsewhere.example/fhir/Patient/JoDoe"}}`, "warning not-found Procedure.subject", "not below the base URL"},
		"temporary":    {`{"resourceType":"Procedure","subject":{"reference":"urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"}}`, "warning not-found Procedure.subject", "temporary name"},
		"contained":    {`{"resourceType":"Procedure","subject":{"reference":"#p"}}`, "warning not-supported Procedure.subject", "contained"},
		"search":       {`{"resourceType":"Procedure","subject":{"reference":"Patient?identifier=JoDoe"}}`, "warning not-supported Procedure.subject", "search"},
		"group":        {`{"resourceType":"Procedure","subject":{"reference":"Group/JoDoe"}}`, "warning value Procedure.subject", "not a Patient"},
		"unreadable":   {`{"resourceType":"Procedure","subject":{"reference":"Jo Doe"}}`, "warning value Procedure.subject", "cannot be read"},
		"another type": {`{"resourceType":"Medication"}`, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r, err := Decode([]byte(c.body))
			if err != nil {
				t.Fatal(err)
			}
			i, ok := NoPatient(r, true)
			if !ok {
				i = Issue{}
			}
			if diff := cmp.Diff(c.want, strings.TrimSpace(summary([]Issue{i}))); diff != "" || ok != (c.want != "") {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if !strings.Contains(i.Text, c.words) || strings.Contains(i.Text, "Doe") {
				t.Errorf("the text is %q", i.Text)
			}
			if ok && (!strings.Contains(i.Text, "not assessed until") || !strings.Contains(i.Text, `"Patient/[id]"`)) {
				t.Errorf("the text says neither what follows nor what is understood: %q", i.Text)
			}
		})
	}
}
