package fhir

import "testing"

// TestOtherPerson: two copies of a Patient are two people where they share no identifier, or neither name nor day of birth.
func TestOtherPerson(t *testing.T) {
	t.Parallel()
	const ada, ben = `"name":[{"family":"Moor","given":["Ada"]}],"birthDate":"1950-02-01"`, `"name":[{"family":"Holt","given":["Ben"]}],"birthDate":"1961-07-09"`
	number := func(system, value string) string {
		return `"identifier":[{"system":"` + system + `","value":"` + value + `"}]`
	}
	for name, c := range map[string]struct {
		a, b string
		want bool
	}{
		"the same":                         {ada + `,` + number("urn:x", "1"), ada + `,` + number("urn:x", "1"), false},
		"nothing told":                     {``, ``, false},
		"one tells nothing":                {ada + `,` + number("urn:x", "1"), ``, false},
		"other numbers":                    {number("urn:x", "1"), number("urn:x", "2"), true},
		"other numbers, the same person":   {ada + `,` + number("urn:x", "1"), ada + `,` + number("urn:x", "2"), true},
		"one number of two":                {`"identifier":[{"value":"7"},{"system":"urn:x","value":"1"}]`, number("urn:x", "1"), false},
		"a number of another system":       {number("urn:x", "1"), number("urn:y", "1"), true},
		"a number without its system":      {number("urn:x", "1"), `"identifier":[{"value":" 1 "}]`, false},
		"numbers without a value":          {`"identifier":[{"system":"urn:x"}]`, number("urn:x", "2"), false},
		"other name and birth":             {ada, ben, true},
		"other name and birth, one number": {ada + `,` + number("urn:x", "1"), ben + `,` + number("urn:x", "1"), true},
		"married":                          {ada, `"name":[{"family":"Holt","given":["Ada"]}],"birthDate":"1950-02-01"`, false},
		"birth corrected":                  {ada, `"name":[{"family":"Moor","given":["Ada"]}],"birthDate":"1951-02-01"`, false},
		"a name before, and less of birth": {ada, `"name":[{"family":"Holt"},{"text":"MOOR  Ada"}],"birthDate":"1950"`, false},
		"less of birth, another name":      {ada, `"name":[{"family":"Holt"}],"birthDate":"1950"`, false},
		"another year, another name":       {ada, `"name":[{"family":"Holt"}],"birthDate":"1951"`, true},
		"no day of birth":                  {ada, `"name":[{"family":"Holt"}]`, false},
		"an unreadable one":                {ada, `"name":[{"family":"Holt"}],"birthDate":"1951-02-30"`, false},
	} {
		patient := func(members string) Resource {
			if members != "" {
				members = "," + members
			}
			return Resource{Type: "Patient", Raw: []byte(`{"resourceType":"Patient"` + members + `}`)}
		}
		if a, b := OtherPerson(patient(c.a), patient(c.b)), OtherPerson(patient(c.b), patient(c.a)); a != c.want || b != c.want {
			t.Errorf("%s: %t and, the other way round, %t; want %t", name, a, b, c.want)
		}
	}
}
