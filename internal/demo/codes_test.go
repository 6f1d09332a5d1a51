package demo

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// allowed lists the codes that the hospital may use, system by system. Clinical codes were checked against the FY2022
// ICD-10 order files, the public CPT and RxNorm lists and the VSAC value sets that the clinical notes name; Z51.5 is
// checked against public quality-measure code. R4's own code systems are from its definitions package.
func allowed() map[string][]string {
	const terminology = "http://terminology.hl7.org/CodeSystem/"
	return map[string][]string{
		"http://www.ama-assn.org/go/cpt":              {"37191", "37193"},
		"http://hl7.org/fhir/sid/icd-10-pcs":          {"06H03DZ"},
		"http://snomed.info/sct":                      {"397913009", "233439000", "385669000", "385670004", "385671000"},
		"http://hl7.org/fhir/device-action":           {"implanted", "explanted", "manipulated"},
		"http://unitsofmeasure.org":                   {"mg", "kg", "g/dL", "mg/dL", "10*3/uL", "{INR}", "[iU]/kg/h"},
		"http://loinc.org":                            {"29463-7", "777-3", "6301-6", "718-7", "2160-0"},
		terminology + "v3-ActCode":                    {"IMP", "AMB", "HH", "EMER"},
		terminology + "condition-clinical":            {"active", "resolved"},
		terminology + "condition-ver-status":          {"confirmed"},
		terminology + "condition-category":            {"problem-list-item", "encounter-diagnosis"},
		terminology + "observation-category":          {"vital-signs", "laboratory"},
		terminology + "medicationrequest-category":    {"inpatient", "outpatient"},
		"http://www.nlm.nih.gov/research/umls/rxnorm": {"1364445", "1364435", "1232082", "1232086", "855332", "854241", "5224"},
		"http://hl7.org/fhir/sid/icd-10-cm": {"I82.411", "I82.412", "I82.421", "I82.422", "I82.431", "I82.432", "I26.99",
			"K92.1", "K92.2", "K66.1", "I62.01", "D69.6", "T82.515A", "T82.525A", "T82.848A", "Z95.828", "Z51.5"},
	}
}

func TestCodesAreAllowed(t *testing.T) {
	t.Parallel()
	codes, used := allowed(), map[string]bool{}
	for _, p := range setup(t) {
		for _, s := range p.Steps {
			walk(decodeAny(t, s.Bundle), nil, func(_ []string, v any) {
				m, ok := v.(map[string]any)
				if !ok || m["system"] == nil || m["code"] == nil {
					return
				}
				system, code := m["system"].(string), m["code"].(string)
				if !slices.Contains(codes[system], code) {
					t.Errorf("%s: %s|%s is not on the list", s.File, system, code)
				}
				if strings.Contains(system, "ama-assn") && m["display"] != nil {
					t.Errorf("%s: a CPT code carries a display", s.File)
				}
				used[system+"|"+code] = true
			})
		}
	}
	if len(used) < 40 {
		t.Errorf("only %d codes were seen: the walk misses some", len(used))
	}
}

func decodeAny(t *testing.T, body []byte) any {
	t.Helper()
	var v any
	if err := json.Unmarshal(body, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// checkDigit is GS1's modulo 10 over the digits before it (GS1 General Specifications, section 7.9).
func checkDigit(digits string) byte {
	sum := 0
	for i := len(digits) - 1; i >= 0; i-- {
		weight := 1
		if (len(digits)-1-i)%2 == 0 {
			weight = 3
		}
		sum += int(digits[i]-'0') * weight
	}
	return byte('0' + (10-sum%10)%10)
}

func TestCheckDigit(t *testing.T) {
	t.Parallel()
	// Published device identifiers whose check digits hold: the first is in HL7's Device example, the second is GS1's own.
	for _, known := range []string{"00844588003288", "09506000117843"} {
		if got := checkDigit(known[:13]); got != known[13] {
			t.Errorf("check digit of %s is %c", known, got)
		}
	}
}

func TestDeviceIdentifiers(t *testing.T) {
	t.Parallel()
	hrf := regexp.MustCompile(`^\(01\)(\d{14})\(10\)([A-Z0-9]+)\(21\)([A-Z0-9]+)$`)
	models := map[string]string{} // device identifier -> model number
	for _, e := range decode(t, "catalogue.json", Catalogue()).Entry {
		udi := e.Resource["udiDeviceIdentifier"].([]any)[0].(map[string]any)
		models[udi["deviceIdentifier"].(string)] = e.Resource["modelNumber"].(string)
	}
	serials := map[string]bool{}
	for _, p := range setup(t) {
		for _, e := range decode(t, p.Steps[0].File, p.Steps[0].Bundle).Entry {
			if e.Resource["resourceType"] != "Device" {
				continue
			}
			carrier := e.Resource["udiCarrier"].([]any)[0].(map[string]any)
			m := hrf.FindStringSubmatch(carrier["carrierHRF"].(string))
			if m == nil {
				t.Errorf("%s: unreadable carrier", e.Request.URL)
				continue
			}
			if m[1][13] != checkDigit(m[1][:13]) || !strings.HasPrefix(m[1], "0952") {
				t.Errorf("%s: device identifier %s", e.Request.URL, m[1])
			}
			if m[1] != carrier["deviceIdentifier"] || m[2] != e.Resource["lotNumber"] || m[3] != e.Resource["serialNumber"] {
				t.Errorf("%s: the carrier disagrees with the Device", e.Request.URL)
			}
			if models[m[1]] != e.Resource["modelNumber"] {
				t.Errorf("%s: model %v is not the catalogue's for its identifier", e.Request.URL, e.Resource["modelNumber"])
			}
			if serials[m[3]] {
				t.Errorf("%s: serial number used twice", e.Request.URL)
			}
			serials[m[3]] = true
		}
	}
	if len(serials) < 15 {
		t.Errorf("only %d devices", len(serials))
	}
}

func TestCatalogue(t *testing.T) {
	t.Parallel()
	want := map[string][2]string{"Linden C1": {"conical", "retrievable"}, "Quill D2": {"double-basket", "retrievable"},
		"Harbour P": {"conical", "permanent"}}
	b := decode(t, "catalogue.json", Catalogue())
	if b.Type != "collection" || len(b.Entry) != len(want) {
		t.Fatalf("type %q with %d entries", b.Type, len(b.Entry))
	}
	for _, e := range b.Entry {
		name := e.Resource["deviceName"].([]any)[0].(map[string]any)["name"].(string)
		var got [2]string
		for i, url := range []string{"urn:dwellwatch:device-design", "urn:dwellwatch:device-intent"} {
			x := e.Resource["extension"].([]any)[i].(map[string]any)
			if x["url"] == url {
				got[i] = x["valueCode"].(string)
			}
		}
		if e.Resource["resourceType"] != "DeviceDefinition" || got != want[name] {
			t.Errorf("%s: %v", name, got)
		}
		di := e.Resource["udiDeviceIdentifier"].([]any)[0].(map[string]any)["deviceIdentifier"].(string)
		if di[13] != checkDigit(di[:13]) || !strings.HasPrefix(di, "0952") {
			t.Errorf("%s: device identifier %s", name, di)
		}
	}
}
