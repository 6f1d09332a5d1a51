package api

import (
	"strings"
	"testing"
)

// TestALinkThatCannotBeReadIsToldToTheSender with its path; one of the feed's own server is read.
func TestALinkThatCannotBeReadIsToldToTheSender(t *testing.T) {
	t.Parallel()
	for link, want := range map[string]string{
		`{"other":{"reference":"Patient/b"},"type":"replaces"}`:                             "",
		`{"other":{"reference":"https://record.example/fhir/Patient/b"},"type":"replaces"}`: "",
		`{"other":{"reference":"Patient?identifier=urn:x|1"},"type":"replaced-by"}`:         ", warning not-supported Bundle.entry[0].resource.link[0].other",
		`{"other":{"reference":"Patient/b"},"type":"Replaced-by"}`:                          ", warning code-invalid Bundle.entry[0].resource.link[0].type",
	} {
		w := setup(t, nil).send("POST", "/feeds/ward/fhir", bundleOf("collection", `{"resource":{"resourceType":"Patient","id":"a","link":[`+link+`]}}`))
		_, got := answers(t, w.Body.Bytes())
		_, issues, _ := strings.Cut(got[0], "information informational")
		if issues != want {
			t.Errorf("%s: %v, want %s", link, got, want)
		}
	}
}
