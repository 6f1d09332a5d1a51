package chart

import (
	"fmt"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/fault"
)

// Extensions of ours on DeviceDefinition; values are codes.
const (
	DesignExtension = "urn:dwellwatch:device-design" // conical | double-basket | other
	IntentExtension = "urn:dwellwatch:device-intent" // retrievable | permanent
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
			}
		}
		if !oneOf(m.Design, "conical", "double-basket", "other", "unknown") || !oneOf(m.Intent, "retrievable", "permanent", "unknown") {
			return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: %s.extension holds a code that is not known", fault.Invalid, at)
		}
		c.Models = append(c.Models, m)
	}
	return c, nil
}

func oneOf(s string, list ...string) bool {
	for _, l := range list {
		if s == l {
			return true
		}
	}
	return false
}
