package chart

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestPersonOnTheHead: the official name or else the first, the others in use, and the hospital's numbers.
func TestPersonOnTheHead(t *testing.T) {
	t.Parallel()
	const mr = `"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR"}]}`
	for name, c := range map[string]struct {
		members string
		want    Person
	}{
		"one name":            {`"name":[{"given":["Mara"],"family":"Quill"}]`, Person{Name: "Mara Quill"}},
		"official after":      {`"name":[{"use":"nickname","text":"Mo"},{"use":"official","text":"Mara Quill"}]`, Person{Name: "Mara Quill", OtherNames: []string{"Mo"}}},
		"usual before others": {`"name":[{"use":"official","text":"A"},{"text":"C"},{"use":"usual","text":"B"},{"use":"old","text":"D"},{"use":"official","text":"A"}]`, Person{Name: "A", OtherNames: []string{"B", "C"}}},
		"numbers":             {`"identifier":[{` + mr + `,"value":" 4711 "},{` + mr + `,"use":"old","value":"1"},{"value":"2"},{"type":{"coding":[{"system":"urn:x","code":"MR"}]},"value":"3"},{` + mr + `,"value":"4712"}]`, Person{Numbers: []string{"4711", "4712"}}},
		"none":                {`"active":true`, Person{}},
	} {
		got := readSigns(t, Sets{}, `{"resourceType":"Patient","id":"p",`+c.members+`}`).Person
		c.want.Known = true
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}
