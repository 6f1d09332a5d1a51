package chart

import (
	"strings"
	"testing"
)

// TestALinkThatCannotBeReadIsNamed: a record that is not joined for a slip of the sender's is not passed over in silence.
func TestALinkThatCannotBeReadIsNamed(t *testing.T) {
	t.Parallel()
	for link, want := range map[string]string{
		`{"other":{"reference":"Patient/b"},"type":"replaces"}`:                     "",
		`{"other":{"reference":"RelatedPerson/b"},"type":"seealso"}`:                "",
		`{"other":{"reference":"Patient?identifier=urn:x|1"},"type":"replaced-by"}`: "Patient.link[0].other",
		`{"other":{"reference":"#b"},"type":"replaces"}`:                            "Patient.link[0].other",
		`{"type":"replaces"}`: "Patient.link[0].other",
		`{"other":{"reference":"Patient/b"},"type":"REPLACES"}`: "Patient.link[0].type",
	} {
		var paths []string
		for _, u := range readOne(t, `{"resourceType":"Patient","id":"a","link":[`+link+`]}`).Unread {
			paths = append(paths, u.Path)
		}
		if got := strings.Join(paths, " "); got != want {
			t.Errorf("%s: %q, want %q", link, got, want)
		}
	}
}
