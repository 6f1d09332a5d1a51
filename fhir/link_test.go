package fhir

import (
	"strings"
	"testing"
)

// TestLinkFaults names each link that should join two records of a patient and cannot be read.
func TestLinkFaults(t *testing.T) {
	t.Parallel()
	for link, want := range map[string]string{
		`[{"other":{"reference":"Patient/b"},"type":"replaced-by"}]`:                           "",
		`[{"other":{"reference":"https://own.example/fhir/Patient/b"},"type":"replaces"}]`:     "",
		`[{"other":{"reference":"RelatedPerson/r"},"type":"seealso"}]`:                         "",
		`[{"other":{"reference":"Patient?identifier=1"},"type":"refer"}]`:                      "",
		`[{"other":{"reference":"Patient/b"},"type":"Replaced-By"}]`:                           "code-invalid link[0].type",
		`[{"other":{"reference":"Patient/b"}}]`:                                                "required link[0].type",
		`[{"other":{"reference":"Patient/b"},"type":null}]`:                                    "required link[0].type",
		`[{"other":{"reference":"Patient/b"},"type":"replaces"},{"type":"replaced-by"}]`:       "required link[1].other",
		`[{"other":null,"type":"replaced-by"}]`:                                                "required link[0].other",
		`[{"type":"seealso"}]`:                                                                 "required link[0].other",
		`[{"other":{"reference":"Patient?identifier=urn:x|1"},"type":"replaced-by"}]`:          "not-supported link[0].other",
		`[{"other":{"reference":"#b"},"type":"replaced-by"}]`:                                  "not-supported link[0].other",
		`[{"other":{"identifier":{"value":"1"}},"type":"replaced-by"}]`:                        "not-supported link[0].other",
		`[{"other":{"display":"B"},"type":"replaced-by"}]`:                                     "required link[0].other",
		`[{"other":{"reference":"urn:uuid:1"},"type":"replaced-by"}]`:                          "not-found link[0].other",
		`[{"other":{"reference":"RelatedPerson/r"},"type":"replaced-by"}]`:                     "value link[0].other",
		`[{"other":{"reference":"https://else.example/fhir/Patient/b"},"type":"replaced-by"}]`: "not-found link[0].other",
		`[{"other":{"reference":"b"},"type":"replaced_by"}]`:                                   "code-invalid link[0].type, value link[0].other",
		`{"other":{"reference":"Patient/b"},"type":"replaced-by"}`:                             "",
		`["Patient/b"]`: "structure link[0]",
	} {
		r := Resource{Type: "Patient", Raw: []byte(`{"resourceType":"Patient","link":` + link + `}`)}
		var got []string
		for _, i := range LinkFaults(r.Document(), "https://own.example/fhir") {
			got = append(got, i.Code+" "+strings.TrimPrefix(i.Expression, "Patient."))
			if i.Severity != "warning" || !strings.HasSuffix(i.Text, notJoined) {
				t.Errorf("%s: %+v", link, i)
			}
		}
		if all := strings.Join(got, ", "); all != want {
			t.Errorf("%s: %q, want %q", link, all, want)
		}
	}
}
