package cqlbench

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
)

// words are elements in which people write what the engine cannot search.
var words = regexp.MustCompile(`"(text|note|comment|description|patientInstruction|valueString|performedString|conclusion)":`)

// coded lists what stories say in words, and the test by its code: products, and a site.
var coded = strings.NewReplacer(
	`{"text": "apixaban 5 MG Oral Tablet"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "1364445"}]}`,
	`{"text": "apixaban 5 mg tablet"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "1364445"}]}`,
	`{"text": "apixaban 2.5 mg tablet"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "1364435"}]}`,
	`{"text": "apixaban"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "1364430"}]}`,
	`{"text": "rivaroxaban 20 mg tablet"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "1232086"}]}`,
	`{"text": "warfarin sodium 5 MG Oral Tablet"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "855332"}]}`,
	`{"text": "enoxaparin 80 MG in 0.8 ML Prefilled Syringe"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "854241"}]}`,
	`{"text": "enoxaparin"}`, `{"coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "67108"}]}`,
	`, "text": "Fractured vena cava filter with a filter fragment in the heart (right ventricle)"}`, `}, "bodySite": [{"coding": [{"system": "http://snomed.info/sct", "code": "73829009"}]}]`,
)

// stories gives the patients of the stories that are told by codes and full days only, or can be, each on its own day.
func stories(t testing.TB) []chartOf {
	t.Helper()
	files, err := filepath.Glob("../../testdata/stories/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	var out []chartOf
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		sections := map[string]string{}
		name := ""
		for line := range strings.Lines(string(body)) {
			if strings.HasPrefix(line, "-- ") {
				name = strings.Trim(strings.TrimSpace(line), "- ")
				continue
			}
			sections[name] += line
		}
		bundle := coded.Replace(sections["bundle.json"])
		if bundle == "" || words.MatchString(bundle) {
			continue
		}
		day, err := filter.ParseDay(strings.TrimSpace(sections["asof"]))
		if err != nil {
			t.Fatal(file, err)
		}
		if c, ok := chartFrom(t, strings.TrimSuffix(filepath.Base(file), ".txtar"), []byte(bundle), day); ok {
			out = append(out, c)
		}
	}
	if len(out) < 290 {
		t.Fatalf("only %d stories", len(out))
	}
	return out
}
