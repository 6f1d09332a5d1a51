package fhir

import "testing"

// TestOtherPerson: two copies of a Patient are two people where nothing makes them one.
func TestOtherPerson(t *testing.T) {
	t.Parallel()
	const ada, ben = `"name":[{"family":"Moor","given":["Ada"]}],"birthDate":"1950-02-01"`, `"name":[{"family":"Holt","given":["Ben"]}],"birthDate":"1961-07-09"`
	const eve = `"name":[{"family":"Moor","given":["Eve"]}],"birthDate":"1950-02-01"`
	number := func(system, value string) string {
		return `"identifier":[{"system":"` + system + `","value":"` + value + `"}]`
	}
	for name, c := range map[string]struct {
		a, b       string
		want, sure bool // another person; surely the same
	}{
		"the same":                         {ada + `,` + number("urn:x", "1"), ada + `,` + number("urn:x", "1"), false, true},
		"nothing told":                     {``, ``, true, false},
		"one tells nothing":                {ada + `,` + number("urn:x", "1"), ``, true, false},
		"other numbers":                    {number("urn:x", "1"), number("urn:x", "2"), true, false},
		"other numbers, the same person":   {ada + `,` + number("urn:x", "1"), ada + `,` + number("urn:x", "2"), false, true},
		"one number of two":                {`"identifier":[{"value":"7"},{"system":"urn:x","value":"1"}]`, number("urn:x", "1"), false, true},
		"a number of another system":       {number("urn:x", "1"), number("urn:y", "1"), true, false},
		"a system rewritten":               {ada + `,` + number("urn:x", "1"), ada + `,` + number("urn:y", "1"), false, true},
		"a number without its system":      {number("urn:x", "1"), `"identifier":[{"value":" 1 "}]`, false, true},
		"numbers without a value":          {`"identifier":[{"system":"urn:x"}]`, number("urn:x", "2"), true, false},
		"other name and birth":             {ada, ben, true, false},
		"other name and birth, one number": {ada + `,` + number("urn:x", "1"), ben + `,` + number("urn:x", "1"), true, false},
		"married":                          {ada, `"name":[{"family":"Holt","given":["Ada"]}],"birthDate":"1950-02-01"`, true, false},
		"married, one number":              {ada + `,` + number("urn:x", "1"), `"name":[{"family":"Holt","given":["Ada"]}],"birthDate":"1951-02-01",` + number("urn:x", "1"), false, true},
		"married, the name at birth told":  {ada, `"name":[{"family":"Holt","given":["Ada"]},{"use":"maiden","family":"Moor"}],"birthDate":"1950-02-01"`, false, true},
		"birth corrected":                  {ada, `"name":[{"family":"Moor","given":["Ada"]}],"birthDate":"1951-02-01"`, true, false},
		"birth and given name corrected":   {ada + `,` + number("urn:x", "1"), `"name":[{"family":"Moor","given":["Ida"]}],"birthDate":"1951-02-01",` + number("urn:x", "1"), false, true},
		"a name before, and less of birth": {ada, `"name":[{"family":"Holt"},{"text":"MOOR  Ada"}],"birthDate":"1950"`, false, false},
		"less of birth, another name":      {ada, `"name":[{"family":"Holt"}],"birthDate":"1950"`, true, false},
		"another year, another name":       {ada, `"name":[{"family":"Holt"}],"birthDate":"1951"`, true, false},
		"no day of birth":                  {ada, `"name":[{"family":"Holt"}]`, true, false},
		"an unreadable one":                {ada, `"name":[{"family":"Holt"}],"birthDate":"1951-02-30"`, true, false},
		"less of birth, other numbers":     {ada + `,` + number("urn:x", "1"), `"name":[{"family":"Moor","given":["Ada"]}],"birthDate":"1950",` + number("urn:x", "2"), true, false},
		"twins":                            {ada, eve, true, false},
		"twins, one with a number":         {ada + `,` + number("urn:x", "1"), eve, true, false},
		"twins with numbers":               {ada + `,` + number("urn:x", "1"), eve + `,` + number("urn:x", "2"), true, false},
		"twins by text":                    {`"name":[{"text":"Ada Moor"}],"birthDate":"1950-02-01"`, eve, true, false},
		"twins, the name at birth told":    {ada, `"name":[{"family":"Holt","given":["Eve"]},{"use":"maiden","family":"Moor"}],"birthDate":"1950-02-01"`, true, false},
		"names alone":                      {`"name":[{"family":"Moor","given":["Ada"]}]`, `"name":[{"family":"Moor","given":["Eve"]}]`, true, false},
		"one name alone":                   {`"name":[{"family":"Moor","given":["Ada"]}]`, `"name":[{"text":"Ada Moor"}]`, false, false},
		"given names alone":                {`"name":[{"given":["Ada"]}]`, `"name":[{"given":["Eve"]}]`, true, false},
		"a part of the name":               {ada, `"name":[{"given":["Ada"]}]`, false, false},
		"parts that do not meet":           {`"name":[{"family":"Moor"}]`, `"name":[{"given":["Ada"]}]`, true, false},
		"birth alone":                      {`"birthDate":"1950-02-01"`, ada, false, false},
		"another birth alone":              {`"birthDate":"1950-02-02"`, ada, true, false},
		"a number told later":              {ada, ada + `,` + number("urn:x", "1"), false, true},
		"another gender":                   {ada + `,"gender":"female"`, ada + `,"gender":"male"`, true, false},
		"a gender that is not known":       {ada + `,"gender":"female"`, ada + `,"gender":"unknown"`, false, true},
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
		if a, b := SamePerson(patient(c.a), patient(c.b)), SamePerson(patient(c.b), patient(c.a)); a != c.sure || b != c.sure {
			t.Errorf("%s: surely one %t and, the other way round, %t; want %t", name, a, b, c.sure)
		}
	}
}
