package cqlbench

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/cql/terminology"
)

const setPrefix = "urn:dwellwatch:valueset:"

// coding is one code of a set.
type coding struct {
	System string `json:"system"`
	Code   string `json:"code"`
}

// products lists the codes of anticoagulants by agent and by the strength of the product, as chart reads them.
var products = []struct{ agent, strength, codes string }{
	{"warfarin", "", "11289 855288 855302 855312 855318 855324 855332 855338 855344 855296"},
	{"other-vitamin-k-antagonists", "", "154 8150"},
	{"heparin", "", "5224"},
	{"heparin", "5000", "1361853 1658634 2121591 1659260 1659263 1798389"},
	{"enoxaparin", "", "67108"},
	{"enoxaparin", "30", "854228"},
	{"enoxaparin", "40", "854235"},
	{"enoxaparin", "60", "854238"},
	{"enoxaparin", "80", "854241"},
	{"enoxaparin", "100", "854248"},
	{"enoxaparin", "120", "854245"},
	{"enoxaparin", "150", "854252"},
	{"dalteparin", "", "67109 978736 978755 978740 978744 978746"},
	{"dalteparin", "2500", "978725"},
	{"dalteparin", "5000", "978733"},
	{"fondaparinux", "", "321208"},
	{"fondaparinux", "2.5", "861360"},
	{"fondaparinux", "5", "861363"},
	{"fondaparinux", "7.5", "861365"},
	{"fondaparinux", "10", "861356"},
	{"rivaroxaban", "", "1114195"},
	{"rivaroxaban", "2.5", "2059015"},
	{"rivaroxaban", "10", "1114198"},
	{"rivaroxaban", "15", "1232082 1549682"},
	{"rivaroxaban", "20", "1232086"},
	{"apixaban", "", "1364430"},
	{"apixaban", "2.5", "1364435"},
	{"apixaban", "5", "1364445 1992427"},
	{"edoxaban", "", "1599538 1599543"},
	{"edoxaban", "30", "1599551"},
	{"edoxaban", "60", "1599555"},
	{"dabigatran", "", "1037042 1037179"},
	{"dabigatran", "110", "1723476"},
	{"dabigatran", "150", "1037045"},
	{"other-anticoagulants", "", "69646 67031 1927851 15202 60819 114934"},
}

// addresses lists the other published addresses of a code system.
var addresses = map[string][]string{
	"http://hl7.org/fhir/sid/icd-10-pcs":          {"http://www.cms.gov/Medicare/Coding/ICD10", "urn:oid:2.16.840.1.113883.6.4"},
	"http://hl7.org/fhir/sid/icd-10-cm":           {"urn:oid:2.16.840.1.113883.6.90"},
	"http://snomed.info/sct":                      {"urn:oid:2.16.840.1.113883.6.96"},
	"http://www.ama-assn.org/go/cpt":              {"urn:oid:2.16.840.1.113883.6.12"},
	"http://www.nlm.nih.gov/research/umls/rxnorm": {"urn:oid:2.16.840.1.113883.6.88"},
	"http://loinc.org":                            {"urn:oid:2.16.840.1.113883.6.1"},
}

// valueSets gives the engine's terminology: the sets that ship with dwellwatch, with each pattern written out by the codes of the
// published lists, and sets of anticoagulants.
func valueSets(t testing.TB) terminology.Provider {
	t.Helper()
	sets := map[string][]coding{}
	known := published(t)
	files, err := filepath.Glob("../../internal/chart/valuesets/*.json")
	if err != nil || len(files) == 0 {
		t.Fatal(err, len(files))
	}
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var v struct {
			URL     string
			Compose struct {
				Include []struct {
					System  string
					Concept []struct{ Code string }
					Filter  []struct{ Value string }
				}
			}
		}
		if err := json.Unmarshal(body, &v); err != nil {
			t.Fatal(file, err)
		}
		name := strings.TrimPrefix(v.URL, setPrefix)
		for _, include := range v.Compose.Include {
			for _, c := range include.Concept {
				sets[name] = append(sets[name], coding{include.System, c.Code})
			}
			for _, f := range include.Filter {
				fits := regexp.MustCompile("^(?:" + f.Value + ")$")
				for _, c := range known {
					if c.System == include.System && fits.MatchString(c.Code) {
						sets[name] = append(sets[name], c)
					}
				}
			}
		}
	}
	for _, c := range known {
		if c.System == "http://hl7.org/fhir/sid/icd-10-cm" && len(c.Code) == 8 && strings.ContainsAny(c.Code[7:], "DS") {
			sets["later-encounter"] = append(sets["later-encounter"], c)
		}
	}
	for _, name := range []string{"device-stenosis", "device-embolism", "device-other"} {
		sets["device-complaint"] = append(sets["device-complaint"], sets[name]...)
	}
	for _, p := range products {
		for code := range strings.FieldsSeq(p.codes) {
			c := coding{"http://www.nlm.nih.gov/research/umls/rxnorm", code}
			sets["anticoagulants"] = append(sets["anticoagulants"], c)
			sets[p.agent] = append(sets[p.agent], c)
			if p.strength != "" {
				sets["strength-"+p.strength] = append(sets["strength-"+p.strength], c)
			}
		}
	}
	for name, codes := range sets {
		for _, c := range codes {
			for _, also := range addresses[c.System] {
				sets[name] = append(sets[name], coding{also, c.Code})
			}
		}
	}
	var written []string
	for name, codes := range sets {
		body, err := json.Marshal(map[string]any{"resourceType": "ValueSet", "url": setPrefix + name, "expansion": map[string]any{"contains": codes}})
		if err != nil {
			t.Fatal(err)
		}
		written = append(written, string(body))
	}
	provider, err := terminology.NewInMemoryFHIRProvider(written)
	if err != nil {
		t.Fatal(err)
	}
	return provider
}

// published reads the lists of published codes that our own tests read.
func published(t testing.TB) []coding {
	t.Helper()
	files, err := filepath.Glob("../../testdata/codes/*.tsv")
	if err != nil || len(files) == 0 {
		t.Fatal(err, len(files))
	}
	var out []coding
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(body)) {
			if f := strings.Split(line, "\t"); len(f) > 2 && strings.Contains(f[0], ":") {
				out = append(out, coding{f[0], f[1]})
			}
		}
	}
	return out
}
