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
		`{}`:                                        " ",
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
	for body, place := range map[string]string{
		string(definition(marketed(`{"start":"2019","end":"2015"}`))): "Bundle.entry[0].resource.extension: valuePeriod ends before it begins",
		string(definition(marketed(`{"start":"spring"}`))):            "Bundle.entry[0].resource.extension: valuePeriod.start is no date",
		string(definition(marketed(`{"end":20}`))):                    "Bundle.entry[0].resource.extension: valuePeriod.end is no date",
		string(definition(marketed(`"2015"`))):                        "Bundle.entry[0].resource.extension: valuePeriod",
		string(definition(labelled("0"))):                             "Bundle.entry[0].resource.extension: the days",
		string(definition(labelled("-3"))):                            "Bundle.entry[0].resource.extension: the days",
		string(definition(labelled("1.5"))):                           "Bundle.entry[0].resource.extension: the days",
		string(definition(labelled(`"180"`))):                         "Bundle.entry[0].resource.extension: the days",
		string(definition(labelled("40000"))):                         "Bundle.entry[0].resource.extension: the days",
		strings.Replace(string(definition("")), "Example A", "", 1):   "Bundle.entry[0].resource.deviceName is missing",
		strings.Replace(string(definition("")), "Definition", "", 1):  "Bundle.entry[0].resource is not a DeviceDefinition",
		strings.Replace(string(definition("")), `"Bundle"`, `"B"`, 1): "Bundle.resourceType",
		strings.TrimSuffix(string(definition("")), "}"):               "not JSON",
		string(definition(`{"url":"` + chart.DesignExtension + `"}`)): "Bundle.entry[0].resource",
	} {
		_, err := chart.ReadCatalogue([]byte(body))
		if !errors.Is(err, fault.Invalid) || !strings.Contains(err.Error(), place) {
			t.Errorf("%v, want %q\n%s", err, place, body)
		}
	}
}
