package chart

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dwellwatch/internal/fault"
)

// setOf writes a site's set with what stands in its compose.
func setOf(name, compose string) string {
	return `{"resourceType":"ValueSet","url":"urn:dwellwatch:valueset:` + name + `","status":"active","compose":` + compose + `}`
}

// include writes an include of one invented code system.
func include(members string) string {
	return `{"include":[{"system":"urn:example:alder-bay:finding",` + members + `}]}`
}

const seenCode = `"concept":[{"code":"in-place"}]`

// TestSetFaults: what FHIR allows in a ValueSet and nothing here follows is refused with the set and the element's path.
func TestSetFaults(t *testing.T) {
	t.Parallel()
	good := setOf(filterSeen, include(seenCode))
	for name, c := range map[string]struct {
		set  string
		want []string
	}{
		"no JSON":              {`{"resourceType":"ValueSet"`, []string{"not JSON"}},
		"another resource":     {`{"resourceType":"CodeSystem"}`, []string{"not a ValueSet"}},
		"unknown name":         {setOf("filter-sen", include(seenCode)), []string{"urn:dwellwatch:valueset:filter-sen", "ValueSet.url: write urn:dwellwatch:valueset:NAME", "filter-not-seen", "prophylactic-reason"}},
		"another url":          {strings.Replace(good, "urn:dwellwatch:valueset:", "http://alder-bay.example/", 1), []string{"http://alder-bay.example/filter-seen", "ValueSet.url: write urn:dwellwatch:valueset:NAME", "filter-device"}},
		"no url":               {`{"resourceType":"ValueSet","compose":` + include(seenCode) + `}`, []string{"ValueSet.url: write"}},
		"retired":              {strings.Replace(good, "active", "retired", 1), []string{"ValueSet.status: only"}},
		"status of no kind":    {strings.Replace(good, "active", "actve", 1), []string{"ValueSet.status: only"}},
		"no compose":           {`{"resourceType":"ValueSet","url":"urn:dwellwatch:valueset:filter-seen"}`, []string{"ValueSet.compose: write an object"}},
		"expansion only":       {`{"resourceType":"ValueSet","url":"urn:dwellwatch:valueset:filter-seen","expansion":{"contains":[{"system":"urn:x","code":"1"}]}}`, []string{"ValueSet.expansion: not read; list the codes in ValueSet.compose.include[].concept[].code"}},
		"compose twice":        {strings.Replace(good, `"compose"`, `"compose":{"include":[]},"compose"`, 1), []string{"ValueSet.compose: stands twice"}},
		"code twice in one":    {setOf(filterSeen, include(`"concept":[{"code":"a","code":"b"}]`)), []string{"ValueSet.compose.include[0].concept[0].code: stands twice"}},
		"includes":             {setOf(filterSeen, `{"includes":[{"system":"urn:x"}]}`), []string{"ValueSet.compose.includes: not read", "ValueSet.compose.include: write a list"}},
		"no include":           {setOf(filterSeen, `{"include":[]}`), []string{"ValueSet.compose.include: write a list"}},
		"include no list":      {setOf(filterSeen, `{"include":{"system":"urn:x"}}`), []string{"ValueSet.compose.include: write a list"}},
		"include of a text":    {setOf(filterSeen, `{"include":["urn:x"]}`), []string{"ValueSet.compose.include[0]: write an object"}},
		"system only":          {setOf(filterSeen, `{"include":[{"system":"urn:x"}]}`), []string{"ValueSet.compose.include[0]: a system alone means all its codes, which is not read"}},
		"no system":            {setOf(filterSeen, `{"include":[{`+seenCode+`}]}`), []string{"ValueSet.compose.include[0].system: missing"}},
		"blank system":         {setOf(filterSeen, `{"include":[{"system":" ",`+seenCode+`}]}`), []string{"ValueSet.compose.include[0].system: missing"}},
		"value set in include": {setOf(filterSeen, `{"include":[{"system":"urn:x","valueSet":["urn:y"]}]}`), []string{"ValueSet.compose.include[0].valueSet: not read; list the codes"}},
		"exclude":              {setOf(filterSeen, `{"include":[{"system":"urn:x",`+seenCode+`}],"exclude":[{"system":"urn:x"}]}`), []string{"ValueSet.compose.exclude: not read; list in include"}},
		"no concept":           {setOf(filterSeen, include(`"concept":[]`)), []string{"ValueSet.compose.include[0].concept: write a list"}},
		"concepts":             {setOf(filterSeen, include(`"concepts":[{"code":"1"}]`)), []string{"ValueSet.compose.include[0].concepts: not read"}},
		"no code":              {setOf(filterSeen, include(`"concept":[{"display":"in place"}]`)), []string{"ValueSet.compose.include[0].concept[0].code: missing or no text"}},
		"code is a number":     {setOf(filterSeen, include(`"concept":[{"code":12}]`)), []string{"ValueSet.compose.include[0].concept[0].code: missing or no text"}},
		"concept and filter":   {setOf(filterSeen, include(seenCode+`,"filter":[{"property":"code","op":"regex","value":"A"}]`)), []string{"ValueSet.compose.include[0]: write either concept or filter"}},
		"two filters":          {setOf(filterSeen, include(`"filter":[{"property":"code","op":"regex","value":"A"},{"property":"code","op":"regex","value":"B"}]`)), []string{"ValueSet.compose.include[0].filter: only one filter is read"}},
		"another filter":       {setOf(filterSeen, include(`"filter":[{"property":"concept","op":"is-a","value":"A"}]`)), []string{"ValueSet.compose.include[0].filter[0]: only the property code with the op regex"}},
		"empty regex":          {setOf(filterSeen, include(`"filter":[{"property":"code","op":"regex"}]`)), []string{"ValueSet.compose.include[0].filter[0].value: missing"}},
		"broken regex":         {setOf(filterSeen, include(`"filter":[{"property":"code","op":"regex","value":"("}]`)), []string{"ValueSet.compose.include[0].filter[0].value: no regular expression"}},
		"all at once":          {strings.Replace(setOf(filterSeen, `{"include":[{"concept":[{}]}],"exclude":[]}`), "active", "retired", 1), []string{"ValueSet.status", "ValueSet.compose.exclude", "include[0].system", "include[0].concept[0].code"}},
	} {
		_, err := LoadSets([]byte(c.set))
		if !errors.Is(err, fault.Invalid) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		want := c.want
		if strings.Contains(c.set, setPrefix) {
			want = append(want, setPrefix)
		}
		for _, text := range want {
			if !strings.Contains(err.Error(), text) {
				t.Errorf("%s: %q is missing in: %v", name, text, err)
			}
		}
	}
}

// TestSetsThatExcludeEachOther: a code that would both put a filter in and take it out, or both see one and see none, is refused,
// also where one of the two ships or is a pattern.
func TestSetsThatExcludeEachOther(t *testing.T) {
	t.Parallel()
	placement := setOf("filter-placement", include(`"concept":[{"code":"X1"}]`))
	for name, c := range map[string]struct {
		sets []string
		want string // "" where they go together
	}{
		"placement and removal":   {[]string{placement, setOf("filter-removal", include(`"concept":[{"code":"X0"},{"code":"X1"}]`))}, "include[0].concept[0].code: urn:example:alder-bay:finding|X1 is also in urn:dwellwatch:valueset:filter-removal"},
		"seen and not seen":       {[]string{setOf(filterSeen, include(seenCode)), setOf(filterNotSeen, include(seenCode))}, "urn:example:alder-bay:finding|in-place is also in urn:dwellwatch:valueset:filter-"},
		"against a shipped code":  {[]string{setOf("filter-removal", `{"include":[{"system":"urn:oid:2.16.840.1.113883.6.12","concept":[{"code":"37191"}]}]}`)}, "value set urn:dwellwatch:valueset:filter-removal: invalid input: ValueSet.compose.include[0].concept[0].code: http://www.ama-assn.org/go/cpt|37191"},
		"against a pattern":       {[]string{placement, setOf("filter-removal", include(`"filter":[{"property":"code","op":"regex","value":"X[0-9]"}]`))}, "X1 is also in urn:dwellwatch:valueset:filter-removal"},
		"the same set twice":      {[]string{placement, placement}, ""},
		"another system":          {[]string{placement, setOf("filter-removal", `{"include":[{"system":"urn:x","concept":[{"code":"X1"}]}]}`)}, ""},
		"sets that go together":   {[]string{placement, setOf("surgery", include(`"concept":[{"code":"X1"}]`))}, ""},
		"placement and its moves": {[]string{placement, setOf("filter-repositioning", include(`"concept":[{"code":"X1"}]`))}, "X1 is also in"},
	} {
		var site [][]byte
		for _, s := range c.sets {
			site = append(site, []byte(s))
		}
		_, err := LoadSets(site...)
		if c.want == "" && err != nil || c.want != "" && (!errors.Is(err, fault.Invalid) || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// TestSetsOfASite: a version after the url does not count, members that say nothing about the codes are let pass, and what is added
// is counted without what ships.
func TestSetsOfASite(t *testing.T) {
	t.Parallel()
	sets, err := LoadSets(
		[]byte(strings.Replace(setOf(filterSeen+"|2", include(`"version":"1","concept":[{"code":"in-place","display":"In place","designation":[{"value":"Liegt"}]}]`)), `"status"`, `"experimental":true,"_status":{"id":"s"},"status"`, 1)),
		[]byte(setOf("filter-placement", `{"lockedDate":"2026-01-01","inactive":false,"include":[{"system":"http://www.ama-assn.org/go/cpt","concept":[{"code":"37191"}]},{"system":"urn:x","filter":[{"property":"code","op":"regex","value":"P[0-9]"}]}]}`)))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := sets.Added(), (Added{Sets: 2, Codes: 1, Patterns: 1}); got != want {
		t.Errorf("added %+v, want %+v", got, want)
	}
	if !sets.holds(filterSeen) || strings.Join(sets.names("urn:x", "P7"), "") != "filter-placement" {
		t.Error("the site's codes are not there")
	}
	shipped, err := ShippedSets()
	if err != nil || shipped.Added() != (Added{}) {
		t.Errorf("shipped: %+v, %v", shipped.Added(), err)
	}
}

// TestSetNamesAreRead: each name that a site may use is asked for in this package, and each set that ships has such a name.
func TestSetNamesAreRead(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	source := ""
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") || f == "valueset.go" {
			continue
		}
		body, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		source += string(body)
	}
	for _, name := range setNames() {
		if !strings.Contains(source, `"`+name+`"`) {
			t.Errorf("%s is asked for nowhere", name)
		}
	}
}

// TestREADMETellsTheSets: the README's example loads, and its table names each set.
func TestREADMETellsTheSets(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, _ := strings.Cut(string(body), "\n## Value sets of the site\n")
	section, _, _ = strings.Cut(section, "\n## ")
	_, example, _ := strings.Cut(section, "```json\n")
	example, _, _ = strings.Cut(example, "```")
	if sets, err := LoadSets([]byte(example)); err != nil || sets.Added() != (Added{Sets: 1, Codes: 2, Patterns: 1}) {
		t.Errorf("the example: %+v, %v", sets.Added(), err)
	}
	_, table, _ := strings.Cut(section, "| NAME |")
	for _, name := range setNames() {
		if strings.Count(table, "`"+name+"`") == 0 {
			t.Errorf("the table does not name %s", name)
		}
	}
}
