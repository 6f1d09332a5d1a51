package chart

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/tidwall/gjson"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
)

// Extensions of ours on DeviceDefinition.
const (
	DesignExtension    = "urn:dwellwatch:device-design"         // valueCode: conical | double-basket | other
	IntentExtension    = "urn:dwellwatch:device-intent"         // valueCode: retrievable | permanent
	MarketedExtension  = "urn:dwellwatch:device-marketed"       // valuePeriod: from when to when it was sold
	RetrievalExtension = "urn:dwellwatch:device-retrieval-days" // valuePositiveInt: days for retrieval by its label
)

// ReadCatalogue reads a Bundle of FHIR R4 DeviceDefinition resources. The error is fault.Invalid and names the entry.
func ReadCatalogue(body []byte) (catalogue.Catalogue, error) {
	if !gjson.ValidBytes(body) {
		return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: not JSON", fault.Invalid)
	}
	doc := gjson.ParseBytes(body)
	if doc.Get("resourceType").String() != "Bundle" {
		return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: Bundle.resourceType", fault.Invalid)
	}
	var c catalogue.Catalogue
	for i, e := range doc.Get("entry").Array() {
		d := e.Get("resource")
		at := fmt.Sprintf("Bundle.entry[%d].resource", i)
		if d.Get("resourceType").String() != "DeviceDefinition" {
			return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: %s is not a DeviceDefinition", fault.Invalid, at)
		}
		m := catalogue.Model{Design: "unknown", Intent: "unknown"}
		for _, v := range d.Get("deviceName").Array() {
			name := v.Get("name").String()
			if m.Name == "" {
				m.Name = name
				continue
			}
			m.Names = append(m.Names, strings.ToLower(strings.Join(strings.Fields(name), " ")))
		}
		if m.Name == "" {
			return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: %s.deviceName is missing", fault.Invalid, at)
		}
		if v := d.Get("modelNumber").String(); v != "" {
			m.Numbers = append(m.Numbers, v)
		}
		for _, v := range d.Get("udiDeviceIdentifier").Array() {
			m.Identifiers = append(m.Identifiers, bareIdentifier(v.Get("deviceIdentifier").String(), 0).Device)
		}
		for _, x := range d.Get("extension").Array() {
			switch x.Get("url").String() {
			case DesignExtension:
				m.Design = x.Get("valueCode").String()
			case IntentExtension:
				m.Intent = x.Get("valueCode").String()
			case MarketedExtension:
				var err error
				if m.MarketedFrom, m.MarketedTo, err = marketed(x.Get("valuePeriod")); err != nil {
					return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: %s.extension: %w", fault.Invalid, at, err)
				}
			case RetrievalExtension:
				days := x.Get("valuePositiveInt")
				if days.Type != gjson.Number || days.Float() != float64(days.Int()) || days.Int() < 1 || days.Int() > 36500 {
					return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: %s.extension: the days for retrieval are a whole number from 1", fault.Invalid, at)
				}
				m.RetrievalDays = int(days.Int())
			}
		}
		if !oneOf(m.Design, "conical", "double-basket", "other", "unknown") || !oneOf(m.Intent, "retrievable", "permanent", "unknown") {
			return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: %s.extension holds a code that is not known", fault.Invalid, at)
		}
		c.Models = append(c.Models, m)
	}
	return c, nil
}

// marketed gives the first day and the last on which a model was sold; a month or a year counts whole.
func marketed(period gjson.Result) (from, to string, err error) {
	if !period.IsObject() {
		return "", "", errors.New("valuePeriod is missing")
	}
	for _, side := range []struct {
		name string
		into *string
	}{{"start", &from}, {"end", &to}} {
		v := period.Get(side.name)
		if !v.Exists() {
			continue
		}
		d, err := fhir.ParseDate(v.String(), time.UTC)
		if err != nil {
			return "", "", fmt.Errorf("valuePeriod.%s is no date", side.name)
		}
		*side.into = filter.Day(d.First).String()
		if side.name == "end" {
			*side.into = filter.Day(d.Last).String()
		}
	}
	if from != "" && to != "" && from > to {
		return "", "", errors.New("valuePeriod ends before it begins")
	}
	return from, to, nil
}

func oneOf(s string, list ...string) bool {
	for _, l := range list {
		if s == l {
			return true
		}
	}
	return false
}

// modelOf gives what a filter's history holds of a model of the catalogue.
func modelOf(m catalogue.Model, by string) filter.Model {
	out := filter.Model{Name: m.Name, Design: m.Design, Intent: m.Intent, By: by, RetrievalDays: m.RetrievalDays}
	// ReadCatalogue has checked the days.
	out.MarketedFrom, _ = filter.ParseDay(m.MarketedFrom)
	out.MarketedTo, _ = filter.ParseDay(m.MarketedTo)
	return out
}
