package chart

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
)

// siteSets gives sets of one code each, named like the set.
func siteSets(t *testing.T) Sets {
	t.Helper()
	var site [][]byte
	for _, name := range []string{"filter-tilt", "filter-thrombus", "penetration-grade", "hook-embedded", "caval-occluded", "jugular-patent", "femoral-patent", "imaging-ct-abdomen", "imaging-duplex", "imaging-cavogram"} {
		site = append(site, fmt.Appendf(nil, `{"resourceType":"ValueSet","url":"urn:dwellwatch:valueset:%s","compose":{"include":[{"system":"urn:site","concept":[{"code":%q}]}]}}`, name, name))
	}
	sets, err := LoadSets(site...)
	if err != nil {
		t.Fatal(err)
	}
	return sets
}

func readSigns(t *testing.T, sets Sets, body string) Reading {
	t.Helper()
	r, err := fhir.Decode([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	return Read([]Entry{{Feed: "default", Resource: r}}, sets, catalogue.Catalogue{}, time.UTC)
}

// TestSigns: what an Observation tells by the site's codes, and what is not used; unread says whether it is named.
func TestSigns(t *testing.T) {
	t.Parallel()
	sets := siteSets(t)
	code := func(c string) string {
		return fmt.Sprintf(`"code":{"coding":[{"system":"urn:site","code":%q}]}`, c)
	}
	const day = `"effectiveDateTime":"2026-02-10",`
	for name, c := range map[string]struct {
		members string
		want    string // sign, number or what is unread, yes, scale, side, devices; "" for none
		unread  bool
	}{
		"tilt":                      {day + code("filter-tilt") + `,"valueQuantity":{"value":12.5,"code":"deg"}`, "tilt 12.5 false   []", false},
		"tilt in the unit's words":  {day + code("filter-tilt") + `,"valueQuantity":{"value":12,"unit":"degrees"}`, "tilt 12 false   []", false},
		"tilt without a unit":       {day + code("filter-tilt") + `,"valueQuantity":{"value":12}`, "tilt (not in a unit that is known for this sign) false   []", true},
		"tilt in radians":           {day + code("filter-tilt") + `,"valueQuantity":{"value":0.2,"code":"rad"}`, "tilt (not in a unit that is known for this sign) false   []", true},
		"tilt with a comparator":    {day + code("filter-tilt") + `,"valueQuantity":{"value":12,"code":"deg","comparator":">"}`, "tilt more than 12 false   []", false},
		"tilt below nought":         {day + code("filter-tilt") + `,"valueQuantity":{"value":-3,"code":"deg"}`, "tilt (out of the range that this sign can have) false   []", true},
		"tilt without a day":        {code("filter-tilt") + `,"valueQuantity":{"value":12,"code":"deg"}`, "tilt (without a day) false   []", true},
		"tilt, issued":              {`"issued":"2026-02-10T10:00:00Z",` + code("filter-tilt") + `,"valueQuantity":{"value":12,"code":"deg"}`, "tilt 12 false   []", false},
		"tilt absent for a reason":  {day + code("filter-tilt") + `,"dataAbsentReason":{"text":"not seen"}`, "", false},
		"thrombus":                  {day + code("filter-thrombus") + `,"valueQuantity":{"value":30,"code":"%"}`, "filter-thrombus 30 false   []", false},
		"thrombus over the whole":   {day + code("filter-thrombus") + `,"valueQuantity":{"value":130,"code":"%"}`, "filter-thrombus (out of the range that this sign can have) false   []", true},
		"thrombus as a share of 1":  {day + code("filter-thrombus") + `,"valueQuantity":{"value":0.3,"code":"1"}`, "filter-thrombus (not in a unit that is known for this sign) false   []", true},
		"thrombus above half":       {day + code("filter-thrombus") + `,"valueQuantity":{"value":50,"code":"%","comparator":">"}`, "filter-thrombus more than 50 false   []", false},
		"thrombus, R5 comparator":   {day + code("filter-thrombus") + `,"valueQuantity":{"value":50,"code":"%","comparator":"ad"}`, "filter-thrombus (told with a comparator that is not known) false   []", true},
		"thrombus as a range":       {day + code("filter-thrombus") + `,"valueRange":{"low":{"value":40,"code":"%"},"high":{"value":60,"code":"%"}}`, "filter-thrombus 40 to 60 false   []", false},
		"thrombus, range to":        {day + code("filter-thrombus") + `,"valueRange":{"high":{"value":20,"code":"%"}}`, "filter-thrombus at most 20 false   []", false},
		"thrombus, range from":      {day + code("filter-thrombus") + `,"valueRange":{"low":{"value":20,"code":"%"}}`, "filter-thrombus at least 20 false   []", false},
		"thrombus, range backwards": {day + code("filter-thrombus") + `,"valueRange":{"low":{"value":60,"code":"%"},"high":{"value":40,"code":"%"}}`, "filter-thrombus (a range that ends before it begins) false   []", true},
		"thrombus, range of what":   {day + code("filter-thrombus") + `,"valueRange":{"low":{"value":60,"code":"mm"}}`, "filter-thrombus (not in a unit that is known for this sign) false   []", true},
		"thrombus, empty range":     {day + code("filter-thrombus") + `,"valueRange":{}`, "filter-thrombus (a range without ends) false   []", true},
		"thrombus, true":            {day + code("filter-thrombus") + `,"valueBoolean":true`, "filter-thrombus some false   []", false},
		"thrombus, false":           {day + code("filter-thrombus") + `,"valueBoolean":false`, "filter-thrombus 0 false   []", false},
		"thrombus, coded yes":       {day + code("filter-thrombus") + `,"valueCodeableConcept":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0136","code":"Y"}]}`, "filter-thrombus some false   []", false},
		"thrombus in words":         {day + code("filter-thrombus") + `,"valueString":"about a third"`, "filter-thrombus (not a number) false   []", true},
		"thrombus, the code alone":  {day + code("filter-thrombus"), "filter-thrombus (not a number) false   []", true},
		"thrombus, as an answer":    {day + `"code":{"text":"Filter"},"valueCodeableConcept":{"coding":[{"system":"urn:site","code":"filter-thrombus"}]}`, "filter-thrombus some false   []", false},
		"tilt, as an answer":        {day + `"code":{"text":"Filter"},"valueCodeableConcept":{"coding":[{"system":"urn:site","code":"filter-tilt"}]}`, "tilt (told by a code alone, without its number) false   []", true},
		"tilt, true":                {day + code("filter-tilt") + `,"valueBoolean":true`, "tilt (not a number) false   []", true},
		"hook, answer not known":    {day + code("hook-embedded") + `,"valueCodeableConcept":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-NullFlavor","code":"UNK"}]}`, "", false},
		"grade as a range":          {day + code("penetration-grade") + `,"valueRange":{"low":{"value":1},"high":{"value":2}}`, "penetration-grade 1 to 2 false   []", false},
		"grade":                     {day + code("penetration-grade") + `,"valueInteger":2,"method":{"text":"scale A"}`, "penetration-grade 2 false scale A  []", false},
		"grade without a scale":     {day + code("penetration-grade") + `,"valueQuantity":{"value":3,"code":"{grade}"}`, "penetration-grade 3 false   []", false},
		"hook, true":                {day + code("hook-embedded") + `,"valueBoolean":true`, "hook-embedded 0 true   []", false},
		"hook, false":               {day + code("hook-embedded") + `,"valueBoolean":false`, "hook-embedded 0 false   []", false},
		"hook, the code alone":      {day + code("hook-embedded"), "hook-embedded 0 true   []", false},
		"hook, coded no":            {day + code("hook-embedded") + `,"valueCodeableConcept":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0136","code":"N"}]}`, "hook-embedded 0 false   []", false},
		"hook, coded yes":           {day + code("hook-embedded") + `,"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"373066001"}]}`, "hook-embedded 0 true   []", false},
		"hook, another answer":      {day + code("hook-embedded") + `,"valueCodeableConcept":{"text":"perhaps"}`, "hook-embedded (the sign is yes or no, and the value is neither) false   []", true},
		"hook as a number":          {day + code("hook-embedded") + `,"valueInteger":1`, "hook-embedded (the sign is yes or no, and the value is neither) false   []", true},
		"occluded, as an answer":    {day + `"code":{"text":"Cava"},"valueCodeableConcept":{"coding":[{"system":"urn:site","code":"caval-occluded"}]}`, "caval-occluded 0 true   []", false},
		"right jugular":             {day + code("jugular-patent") + `,"valueBoolean":true,"bodySite":{"text":"right internal jugular vein"}`, "jugular-patent 0 true  right []", false},
		"both jugular veins":        {day + code("jugular-patent") + `,"valueBoolean":true,"bodySite":{"text":"left and right jugular vein"}`, "jugular-patent 0 true   []", false},
		"left femoral, not open":    {day + code("femoral-patent") + `,"valueBoolean":false,"bodySite":{"coding":[{"display":"Left femoral vein"}]}`, "femoral-patent 0 false  left []", false},
		"of one device":             {day + code("hook-embedded") + `,"focus":[{"reference":"Device/f"}]`, "hook-embedded 0 true   [Device/f]", false},
		"in a component":            {day + `"code":{"text":"Filter"},"component":[{` + code("filter-tilt") + `,"valueQuantity":{"value":7,"code":"deg"}}]`, "tilt 7 false   []", false},
		"a component with no value": {day + `"code":{"text":"Filter"},"component":[{` + code("filter-tilt") + `,"dataAbsentReason":{"text":"unknown"}}]`, "", false},
	} {
		for _, status := range []string{"final", "entered-in-error"} {
			got := readSigns(t, sets, fmt.Sprintf(`{"resourceType":"Observation","id":"o","status":%q,"subject":{"reference":"Patient/p"},%s}`, status, c.members))
			want := c.want
			if status != "final" {
				want = ""
			}
			said := ""
			for _, m := range got.Facts.Measures {
				number := m.Told()
				if m.Unread != "" {
					number = "(" + m.Unread + ")"
				}
				said += fmt.Sprint(m.Sign, " ", number, " ", m.Yes, " ", m.Scale, " ", m.Side, " ", m.Of)
				if m.When.String() != "2026-02-10" && m.Unread != "without a day" || !slices.Equal(m.Evidence, []string{"Observation/o"}) {
					t.Errorf("%s: %+v", name, m)
				}
			}
			if said != want || status == "final" && (len(got.Unread) > 0) != c.unread {
				t.Errorf("%s, %s: %q, unread %v", name, status, said, got.Unread)
			}
		}
	}
}

// TestStudies: which examination was made, when and where, by the codes of a report or of its pictures.
func TestStudies(t *testing.T) {
	t.Parallel()
	sets := siteSets(t)
	coded := func(c string) string { return fmt.Sprintf(`{"coding":[{"system":"urn:site","code":%q}]}`, c) }
	for name, c := range map[string]struct{ body, want, signs string }{
		"report":            {`{"resourceType":"DiagnosticReport","id":"r","status":"final","code":` + coded("imaging-ct-abdomen") + `,"effectiveDateTime":"2026-02-10","performer":[{"display":"Alder  Bay General"}],"conclusionCode":[` + coded("caval-occluded") + `]}`, "ct-abdomen 2026-02-10 Alder Bay General", "caval-occluded"},
		"report registered": {`{"resourceType":"DiagnosticReport","id":"r","status":"registered","code":` + coded("imaging-ct-abdomen") + `,"effectiveDateTime":"2026-02-10"}`, "", ""},
		"pictures":          {`{"resourceType":"ImagingStudy","id":"r","status":"available","subject":{"reference":"Patient/p"},"started":"2026-02-10T09:00:00Z","location":{"display":"Room 2"},"procedureCode":[` + coded("imaging-duplex") + `,` + coded("imaging-duplex") + `]}`, "duplex 2026-02-10 Room 2", ""},
		"pictures to come":  {`{"resourceType":"ImagingStudy","id":"r","status":"registered","subject":{"reference":"Patient/p"},"started":"2026-02-10T09:00:00Z","procedureCode":[` + coded("imaging-duplex") + `]}`, "", ""},
		"another code":      {`{"resourceType":"DiagnosticReport","id":"r","status":"final","code":{"text":"CT abdomen"},"effectiveDateTime":"2026-02-10"}`, "", ""},
	} {
		got := readSigns(t, sets, c.body)
		said, signs := "", ""
		for _, s := range got.Facts.Studies {
			said += s.Modality + " " + s.When.String() + " " + s.Place
		}
		for _, m := range got.Facts.Measures {
			signs += string(m.Sign)
		}
		if said != c.want || signs != c.signs {
			t.Errorf("%s: %q, signs %q", name, said, signs)
		}
	}
}

// TestSetsOfImagingShipEmpty: no code of ours says these things; without a site's sets nothing is read.
func TestSetsOfImagingShipEmpty(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"filter-tilt", "filter-thrombus", "penetration-grade", "hook-embedded", "caval-occluded", "jugular-patent", "femoral-patent", "imaging-ct-abdomen", "imaging-duplex", "imaging-cavogram"} {
		if sets.holds(name) {
			t.Errorf("%s ships codes", name)
		}
		sign, _ := signOf(name)
		if sign == "" && studyOf(name) == "" {
			t.Errorf("%s is not read", name)
		}
	}
}
