package chart_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"dwellwatch/internal/chart"
	"dwellwatch/internal/fault"
)

func definition(extensions string) []byte {
	return fmt.Appendf(nil, `{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"DeviceDefinition","deviceName":[{"name":"Example A","type":"model-name"}],"extension":[%s]}}]}`, extensions)
}

func marketed(period string) string {
	return `{"url":"` + chart.MarketedExtension + `","valuePeriod":` + period + `}`
}

func labelled(days string) string {
	return `{"url":"` + chart.RetrievalExtension + `","valuePositiveInt":` + days + `}`
}

// TestCatalogueDays: a month or a year of sale counts whole, and either side may be open (partial dates as
// http://hl7.org/fhir/R4/datatypes.html#dateTime has them).
func TestCatalogueDays(t *testing.T) {
	t.Parallel()
	for period, want := range map[string]string{
		`{"start":"2015-03","end":"2019"}`:          "2015-03-01 2019-12-31",
		`{"start":"2016-02-03","end":"2016-02-03"}`: "2016-02-03 2016-02-03",
		`{"end":"2016-02"}`:                         " 2016-02-29",
		`{"start":"2012"}`:                          "2012-01-01 ",
	} {
		c, err := chart.ReadCatalogue(definition(marketed(period) + "," + labelled("180")))
		if err != nil {
			t.Errorf("%s: %v", period, err)
			continue
		}
		if m := c.Models[0]; m.MarketedFrom+" "+m.MarketedTo != want || m.RetrievalDays != 180 {
			t.Errorf("%s: sold %q to %q, %d days", period, m.MarketedFrom, m.MarketedTo, m.RetrievalDays)
		}
	}
}

// TestCatalogueFaults: a catalogue that cannot be right is refused with the place in it.
func TestCatalogueFaults(t *testing.T) {
	t.Parallel()
	plain := string(definition(""))
	coded := func(url, value string) string { return `{"url":"` + url + `",` + value + `}` }
	for body, places := range map[string][]string{
		string(definition(marketed(`{"start":"2019","end":"2015"}`))):                                           {"Bundle.entry[0].resource.extension[0].valuePeriod: ends before it begins"},
		string(definition(marketed(`{"start":"spring"}`))):                                                      {"Bundle.entry[0].resource.extension[0].valuePeriod.start: no date"},
		string(definition(marketed(`{"end":20}`))):                                                              {"Bundle.entry[0].resource.extension[0].valuePeriod.end: no date"},
		string(definition(marketed(`{"end":2020}`))):                                                            {"Bundle.entry[0].resource.extension[0].valuePeriod.end: no date"},
		string(definition(marketed(`"2015"`))):                                                                  {"Bundle.entry[0].resource.extension[0].valuePeriod: write an object with start, end or both"},
		string(definition(marketed(`{}`))):                                                                      {"Bundle.entry[0].resource.extension[0].valuePeriod: write an object with start, end or both"},
		string(definition(marketed(`{"from":"2015"}`))):                                                         {"Bundle.entry[0].resource.extension[0].valuePeriod: write an object with start, end or both"},
		string(definition(labelled("0"))):                                                                       {"Bundle.entry[0].resource.extension[0].valuePositiveInt: write a whole number of days from 1 to 36500"},
		string(definition(labelled("-3"))):                                                                      {"Bundle.entry[0].resource.extension[0].valuePositiveInt: write a whole number"},
		string(definition(labelled("1.5"))):                                                                     {"Bundle.entry[0].resource.extension[0].valuePositiveInt: write a whole number"},
		string(definition(labelled(`"180"`))):                                                                   {"Bundle.entry[0].resource.extension[0].valuePositiveInt: write a whole number"},
		string(definition(labelled("40000"))):                                                                   {"Bundle.entry[0].resource.extension[0].valuePositiveInt: write a whole number of days from 1 to 36500"},
		string(definition(coded(chart.RetrievalExtension, `"valueInteger":180`))):                               {"extension[0].valuePositiveInt: ", "; valueInteger stands here"},
		string(definition(coded(chart.DesignExtension, `"id":"x"`))):                                            {"Bundle.entry[0].resource.extension[0].valueCode: write one of conical, double-basket, other"},
		string(definition(coded(chart.DesignExtension, `"valueCode":"cone"`))):                                  {"Bundle.entry[0].resource.extension[0].valueCode: write one of conical, double-basket, other"},
		string(definition(labelled("180") + "," + coded(chart.IntentExtension, `"valueString":"permanent"`))):   {"Bundle.entry[0].resource.extension[1].valueCode: write one of retrievable, permanent, unknown; valueString stands here"},
		string(definition(labelled("180") + "," + labelled("180"))):                                             {"Bundle.entry[0].resource.extension[1].url: this extension stands twice"},
		string(definition(coded("urn:dwellwatch:device-desing", `"valueCode":"other"`))):                        {"Bundle.entry[0].resource.extension[0].url: no extension of ours", chart.DesignExtension, chart.RetrievalExtension},
		strings.Replace(plain, `"extension":[]`, `"extension":{}`, 1):                                           {"Bundle.entry[0].resource.extension: write a list"},
		strings.Replace(plain, `"Example A"`, `""`, 1):                                                          {"Bundle.entry[0].resource.deviceName[0].name: missing"},
		strings.Replace(plain, `"Example A"`, `12`, 1):                                                          {"Bundle.entry[0].resource.deviceName[0].name: missing or no text"},
		strings.Replace(plain, `"type":"model-name"}`, `"type":"model-name"},{"type":"user-friendly-name"}`, 1): {"Bundle.entry[0].resource.deviceName[1].name: missing"},
		strings.Replace(plain, `[{"name":"Example A","type":"model-name"}]`, `{"name":"Example A"}`, 1):         {"Bundle.entry[0].resource.deviceName: missing or no list"},
		strings.Replace(plain, `[{"name":"Example A","type":"model-name"}]`, `"Example A"`, 1):                  {"Bundle.entry[0].resource.deviceName: missing or no list"},
		strings.Replace(plain, `[{"name":"Example A","type":"model-name"}]`, `["Example A"]`, 1):                {"Bundle.entry[0].resource.deviceName[0].name: missing"},
		strings.Replace(plain, `"deviceName"`, `"udiDeviceIdentifier":"1","deviceName"`, 1):                     {"Bundle.entry[0].resource.udiDeviceIdentifier: write a list"},
		strings.Replace(plain, `"deviceName"`, `"udiDeviceIdentifier":[{"issuer":"urn:x"}],"deviceName"`, 1):    {"Bundle.entry[0].resource.udiDeviceIdentifier[0].deviceIdentifier: missing"},
		strings.Replace(plain, `"extension"`, `"deviceName":[],"extension"`, 1):                                 {"Bundle.entry[0].resource.deviceName: stands twice"},
		strings.Replace(plain, "Definition", "", 1):                                                             {"Bundle.entry[0].resource: not a DeviceDefinition"},
		strings.Replace(plain, `"Bundle"`, `"B"`, 1):                                                            {"Bundle.resourceType"},
		strings.TrimSuffix(plain, "}"):                                                                          {"not JSON"},
		`{"resourceType":"Bundle"}`:                                                                             {"Bundle.entry: missing or empty"},
		`{"resourceType":"Bundle","entry":[]}`:                                                                  {"Bundle.entry: missing or empty"},
		`{"resourceType":"Bundle","entry":{}}`:                                                                  {"Bundle.entry: missing or empty"},
	} {
		_, err := chart.ReadCatalogue([]byte(body))
		for _, place := range places {
			if !errors.Is(err, fault.Invalid) || !strings.Contains(err.Error(), place) {
				t.Errorf("%v, want %q\n%s", err, place, body)
			}
		}
	}
}

// TestCatalogueKeysFindOneModel: a device identifier, model number or name of two models would find neither, so both entries are named.
func TestCatalogueKeysFindOneModel(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ first, second, want string }{
		"device identifier":  {`"udiDeviceIdentifier":[{"deviceIdentifier":"09520000101015"}]`, `"udiDeviceIdentifier":[{"deviceIdentifier":"09520000101022"},{"deviceIdentifier":"(01)09520000101015"}]`, "Bundle.entry[1].resource.udiDeviceIdentifier[1].deviceIdentifier: the same device identifier as in Bundle.entry[0].resource"},
		"model number":       {`"modelNumber":"A1"`, `"modelNumber":"A1 "`, "Bundle.entry[1].resource.modelNumber: the same model number as in Bundle.entry[0].resource"},
		"name":               {`"deviceName":[{"name":"Example  A"}]`, `"deviceName":[{"name":"example a"}]`, "Bundle.entry[1].resource.deviceName[0].name: the same name as in Bundle.entry[0].resource"},
		"another name":       {`"deviceName":[{"name":"Example A"},{"name":"EA"}]`, `"deviceName":[{"name":"Example B"},{"name":"ea"}]`, "Bundle.entry[1].resource.deviceName[1].name: the same name as in Bundle.entry[0].resource"},
		"twice in one model": {`"deviceName":[{"name":"Example A"},{"name":"example a"}],"udiDeviceIdentifier":[{"deviceIdentifier":"09520000101015"},{"deviceIdentifier":"09520000101015"}]`, `"modelNumber":"B"`, ""},
		"of different kinds": {`"modelNumber":"example b"`, `"deviceName":[{"name":"Example B"}]`, ""},
	} {
		body := `{"resourceType":"Bundle","entry":[`
		for i, members := range []string{c.first, c.second} {
			if !strings.Contains(members, "deviceName") {
				members += fmt.Sprintf(`,"deviceName":[{"name":"Example %d"}]`, i)
			}
			body += `{"resource":{"resourceType":"DeviceDefinition",` + members + `}},`
		}
		_, err := chart.ReadCatalogue([]byte(strings.TrimSuffix(body, ",") + `]}`))
		if c.want == "" && err != nil || c.want != "" && (!errors.Is(err, fault.Invalid) || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}
