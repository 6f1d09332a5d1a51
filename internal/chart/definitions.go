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
	ourExtensions = "urn:dwellwatch:"

	DesignExtension    = "urn:dwellwatch:device-design"         // valueCode: conical | double-basket | other | unknown
	IntentExtension    = "urn:dwellwatch:device-intent"         // valueCode: retrievable | permanent | unknown
	MarketedExtension  = "urn:dwellwatch:device-marketed"       // valuePeriod: from when to when it was sold
	RetrievalExtension = "urn:dwellwatch:device-retrieval-days" // valuePositiveInt: days for retrieval by its label, 1 to 36500
)

// ReadCatalogue reads a Bundle of FHIR R4 DeviceDefinition resources. The error is fault.Invalid and lists every fault with its
// path: among them a key that would find two models, because such a key finds none (catalogue.Catalogue.Find).
func ReadCatalogue(body []byte) (catalogue.Catalogue, error) {
	if !gjson.ValidBytes(body) {
		return catalogue.Catalogue{}, fmt.Errorf("device catalogue: %w: not JSON", fault.Invalid)
	}
	doc := gjson.ParseBytes(body)
	r := &catalogueReader{keys: map[string]int{}}
	if doc.Get("resourceType").String() != "Bundle" {
		r.fault("Bundle.resourceType", "not a Bundle")
	}
	entries := doc.Get("entry")
	if !entries.IsArray() || len(entries.Array()) == 0 {
		r.fault("Bundle.entry", "missing or empty; leave the setting out where there is no catalogue")
		return catalogue.Catalogue{}, r.err()
	}
	for _, path := range repeated(doc, "Bundle") {
		r.fault(path, "stands twice; write it once")
	}
	var c catalogue.Catalogue
	for i, e := range entries.Array() {
		r.entry, r.at = i, entryPath(i)
		d := e.Get("resource")
		if d.Get("resourceType").String() != "DeviceDefinition" {
			r.fault(r.at, "not a DeviceDefinition")
			continue
		}
		c.Models = append(c.Models, r.model(d))
	}
	if err := r.err(); err != nil {
		return catalogue.Catalogue{}, err
	}
	return c, nil
}

func entryPath(i int) string { return fmt.Sprintf("Bundle.entry[%d].resource", i) }

// catalogueReader gathers what is wrong with a catalogue.
type catalogueReader struct {
	entry  int    // the one being read
	at     string // its path
	keys   map[string]int
	faults []error
}

func (r *catalogueReader) fault(path, text string) {
	r.faults = append(r.faults, fmt.Errorf("%s: %s", path, text))
}

func (r *catalogueReader) err() error {
	if len(r.faults) == 0 {
		return nil
	}
	return fmt.Errorf("device catalogue: %w: %w", fault.Invalid, errors.Join(r.faults...))
}

func (r *catalogueReader) model(d gjson.Result) catalogue.Model {
	m := catalogue.Model{Design: "unknown", Intent: "unknown"}
	r.names(d.Get("deviceName"), &m)
	if v := strings.TrimSpace(d.Get("modelNumber").String()); v != "" {
		m.Numbers = append(m.Numbers, v)
		r.own("model number", v, r.at+".modelNumber")
	}
	if v := d.Get("udiDeviceIdentifier"); v.Exists() && !v.IsArray() {
		r.fault(r.at+".udiDeviceIdentifier", "write a list of objects with a deviceIdentifier")
	}
	for i, v := range d.Get("udiDeviceIdentifier").Array() {
		path := fmt.Sprintf("%s.udiDeviceIdentifier[%d].deviceIdentifier", r.at, i)
		id := bareIdentifier(v.Get("deviceIdentifier").String(), 0).Device
		if v.Get("deviceIdentifier").Type != gjson.String || id == "" {
			r.fault(path, "missing or no device identifier")
			continue
		}
		m.Identifiers = append(m.Identifiers, id)
		r.own("device identifier", id, path)
	}
	if v := d.Get("extension"); v.Exists() && !v.IsArray() {
		r.fault(r.at+".extension", "write a list of objects")
	}
	seen := map[string]bool{}
	for i, x := range d.Get("extension").Array() {
		url := x.Get("url").String()
		path := fmt.Sprintf("%s.extension[%d]", r.at, i)
		if seen[url] && strings.HasPrefix(url, ourExtensions) {
			r.fault(path+".url", "this extension stands twice; write it once")
		}
		seen[url] = true
		r.extension(x, url, path, &m)
	}
	return m
}

// names reads deviceName: the first is what the model is called, the others are other names for it.
func (r *catalogueReader) names(v gjson.Result, m *catalogue.Model) {
	path := r.at + ".deviceName"
	if !v.IsArray() || len(v.Array()) == 0 {
		r.fault(path, "missing or no list; write a list of objects with a name")
		return
	}
	for i, n := range v.Array() {
		path := fmt.Sprintf("%s[%d].name", path, i)
		name, folded := n.Get("name").String(), strings.ToLower(strings.Join(strings.Fields(n.Get("name").String()), " "))
		if n.Get("name").Type != gjson.String || folded == "" {
			r.fault(path, "missing or no text")
			continue
		}
		r.own("name", folded, path)
		if m.Name == "" {
			m.Name = name
			continue
		}
		m.Names = append(m.Names, folded)
	}
}

// own notes that a key finds the model being read, and a fault where it also finds an earlier one.
func (r *catalogueReader) own(kind, key, path string) {
	before, taken := r.keys[kind+" "+key]
	if taken && before != r.entry {
		r.fault(path, "the same "+kind+" as in "+entryPath(before)+"; it would find neither")
		return
	}
	r.keys[kind+" "+key] = r.entry
}

// extension reads one of ours; others are let pass.
func (r *catalogueReader) extension(x gjson.Result, url, path string, m *catalogue.Model) {
	switch url {
	case DesignExtension:
		m.Design = r.code(x, path, "conical", "double-basket", "other", "unknown")
	case IntentExtension:
		m.Intent = r.code(x, path, "retrievable", "permanent", "unknown")
	case MarketedExtension:
		r.marketed(x, path, m)
	case RetrievalExtension:
		days := x.Get("valuePositiveInt")
		if days.Type != gjson.Number || days.Float() != float64(days.Int()) || days.Int() < 1 || days.Int() > 36500 {
			r.fault(path+".valuePositiveInt", "write a whole number of days from 1 to 36500"+instead(x, "valuePositiveInt"))
			return
		}
		m.RetrievalDays = int(days.Int())
	default:
		if strings.HasPrefix(strings.ToLower(url), ourExtensions) {
			r.fault(path+".url", "no extension of ours; they are "+strings.Join([]string{DesignExtension, IntentExtension, MarketedExtension, RetrievalExtension}, ", "))
		}
	}
}

// code reads a valueCode of those allowed.
func (r *catalogueReader) code(x gjson.Result, path string, allowed ...string) string {
	v := x.Get("valueCode")
	if v.Type != gjson.String || !oneOf(v.String(), allowed...) {
		r.fault(path+".valueCode", "write one of "+strings.Join(allowed, ", ")+instead(x, "valueCode"))
	}
	return v.String()
}

// instead names the value that stands in an extension where another was wanted.
func instead(x gjson.Result, wanted string) string {
	text := ""
	if x.Get(wanted).Exists() {
		return text
	}
	x.ForEach(func(name, _ gjson.Result) bool {
		if strings.HasPrefix(name.String(), "value") {
			text = "; " + name.String() + " stands here"
		}
		return true
	})
	return text
}

// marketed reads the first day and the last on which a model was sold; a month or a year counts whole.
func (r *catalogueReader) marketed(x gjson.Result, path string, m *catalogue.Model) {
	path += ".valuePeriod"
	period := x.Get("valuePeriod")
	if !period.IsObject() || !period.Get("start").Exists() && !period.Get("end").Exists() {
		r.fault(path, "write an object with start, end or both"+instead(x, "valuePeriod"))
		return
	}
	for _, side := range []struct {
		name string
		into *string
	}{{"start", &m.MarketedFrom}, {"end", &m.MarketedTo}} {
		v := period.Get(side.name)
		if !v.Exists() {
			continue
		}
		d, err := fhir.ParseDate(v.String(), time.UTC)
		if err != nil || v.Type != gjson.String {
			r.fault(path+"."+side.name, "no date; write YYYY, YYYY-MM or YYYY-MM-DD")
			continue
		}
		*side.into = filter.Day(d.First).String()
		if side.name == "end" {
			*side.into = filter.Day(d.Last).String()
		}
	}
	if m.MarketedFrom != "" && m.MarketedTo != "" && m.MarketedFrom > m.MarketedTo {
		r.fault(path, "ends before it begins")
	}
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
	if m.MarketedFrom != "" {
		out.MarketedFrom, _ = filter.ParseDay(m.MarketedFrom)
	}
	if m.MarketedTo != "" {
		out.MarketedTo, _ = filter.ParseDay(m.MarketedTo)
	}
	return out
}
