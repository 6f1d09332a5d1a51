package entry

import (
	"encoding/json"
	"fmt"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/fault"
)

// Original is an entry as it is kept, with its references as evidence names them.
type Original struct {
	Ref  string // as evidence names it
	Type string
	Raw  []byte // nil where a new resource is made
}

// Correction is what people say holds in the place of entries.
type Correction struct {
	Head
	// Revises names the entries that no longer hold, as evidence names them.
	Revises []string
	// Seen gives the meta.lastUpdated of these entries as people saw them; those that had none are left out.
	Seen map[string]time.Time
	// ProvenanceID is the id of the Provenance that says so.
	ProvenanceID string
}

// provenance says who put target in the place of what, and why. http://hl7.org/fhir/R4/provenance.html
func (c Correction) provenance(target fhir.Resource) (fhir.Resource, error) {
	if c.Why == "" {
		return fhir.Resource{}, fmt.Errorf("a correction has a reason: %w", fault.Invalid)
	}
	h := c.Head
	h.ID = c.ProvenanceID
	var entities []object
	for _, ref := range c.Revises {
		e := object{"role": "revision", "what": reference(ref)}
		if at, ok := c.Seen[ref]; ok {
			e["extension"] = []object{{"url": chart.SeenExtension, "valueInstant": at.UTC().Format(time.RFC3339Nano)}}
		}
		entities = append(entities, e)
	}
	return h.resource("Provenance", object{
		"target": []object{reference(LocalBase + target.Ref())}, "recorded": instant(c.At), "activity": own(chart.CodeCorrection, "Correction by hand"),
		"reason": []object{concept(c.Why)}, "agent": []object{{"who": c.By.actor()}}, "entity": entities,
	})
}

// LocalBase is what evidence puts before Type/id of an entry of the feed local.
const LocalBase = "urn:dwellwatch:feed:" + chart.LocalFeed + "/"

// both gives the corrected resource and its Provenance.
func (c Correction) both(r fhir.Resource, err error) ([]fhir.Resource, error) {
	if err != nil {
		return nil, err
	}
	p, err := c.provenance(r)
	if err != nil {
		return nil, err
	}
	return []fhir.Resource{r, p}, nil
}

// PlacementDay says on which day the filter was placed: YYYY, YYYY-MM or YYYY-MM-DD. original is the placement's Procedure, or
// has no bytes where the record holds none.
func (c Correction) PlacementDay(original Original, day string) ([]fhir.Resource, error) {
	if day == "" {
		return nil, fmt.Errorf("a placement has a day: %w", fault.Invalid)
	}
	o, err := c.copied(original, "Procedure", c.placement())
	if err != nil {
		return nil, err
	}
	drop(o, "performedPeriod", "performedString", "performedAge", "performedRange", "_performedDateTime")
	o["status"], o["performedDateTime"] = "completed", day
	return c.both(c.resource("Procedure", o))
}

// placement is a placement that no Procedure of the record tells of.
func (c Correction) placement() object {
	o := object{"code": concept("Placement of a vena cava filter", coding(snomed, "397913009")), "subject": reference(c.Patient), "recorder": c.By.actor()}
	if isType(c.Focus, "Device") {
		o["focalDevice"] = []object{{"action": concept("", coding("http://hl7.org/fhir/device-action", "implanted")), "manipulated": reference(c.Focus)}}
	}
	return o
}

// Model says which model the filter is. original is the Device, or the placement's Procedure where the record holds no Device; then
// the Procedure contains one.
func (c Correction) Model(original Original, name string) ([]fhir.Resource, error) {
	if name == "" {
		return nil, fmt.Errorf("a model has a name: %w", fault.Invalid)
	}
	device := object{"type": concept("Vena cava filter"), "deviceName": []object{{"name": name, "type": "model-name"}}}
	if original.Type == "Device" {
		o, err := c.copied(original, "Device", object{"patient": reference(c.Patient), "status": "active"})
		if err != nil {
			return nil, err
		}
		drop(o, "udiCarrier", "modelNumber", "_modelNumber", "definition", "manufacturer", "partNumber")
		o["deviceName"] = device["deviceName"]
		if _, ok := o["type"]; !ok {
			o["type"] = device["type"]
		}
		return c.both(c.resource("Device", o))
	}
	o, err := c.copied(original, "Procedure", c.placement())
	if err != nil {
		return nil, err
	}
	device["resourceType"], device["id"], device["patient"], device["status"] = "Device", "model", reference(c.Patient), "active"
	o["contained"] = []object{device}
	o["focalDevice"] = []object{{"action": concept("", coding("http://hl7.org/fhir/device-action", "implanted")), "manipulated": reference("#model")}}
	return c.both(c.resource("Procedure", o))
}

// Stopped says that an anticoagulant was stopped on a day. original is its MedicationRequest or MedicationStatement.
func (c Correction) Stopped(original Original, day string) ([]fhir.Resource, error) {
	if day == "" || original.Raw == nil {
		return nil, fmt.Errorf("what is stopped is an order and has a day: %w", fault.Invalid)
	}
	o, err := c.copied(original, original.Type, nil)
	if err != nil {
		return nil, err
	}
	o["status"] = "stopped"
	dosages := "dosageInstruction"
	switch original.Type {
	case "MedicationRequest":
		o["statusReason"] = concept(c.Why)
	case "MedicationStatement":
		dosages = "dosage"
		o["statusReason"] = []object{concept(c.Why)}
		period, _ := o["effectivePeriod"].(map[string]any)
		if period == nil {
			period = object{}
		}
		if from, ok := o["effectiveDateTime"].(string); ok {
			period["start"] = from
		}
		period["end"] = day
		drop(o, "effectiveDateTime", "_effectiveDateTime")
		o["effectivePeriod"] = period
	default:
		return nil, fmt.Errorf("not an order: %w", fault.Invalid)
	}
	end(o, dosages, day)
	return c.both(c.resource(original.Type, o))
}

// end bounds each dosage of an order by its last day.
func end(o object, dosages, day string) {
	list, _ := o[dosages].([]any)
	if len(list) == 0 {
		list = []any{map[string]any{}}
	}
	for _, d := range list {
		dosage, ok := d.(map[string]any)
		if !ok {
			continue
		}
		timing := within(dosage, "timing")
		repeat := within(timing, "repeat")
		drop(repeat, "boundsDuration", "boundsRange")
		within(repeat, "boundsPeriod")["end"] = day
	}
	o[dosages] = list
}

// within gives the object of that name, and makes it where there is none.
func within(o map[string]any, name string) map[string]any {
	inner, ok := o[name].(map[string]any)
	if !ok {
		inner = map[string]any{}
		o[name] = inner
	}
	return inner
}

// DealtWith says that a complication was dealt with on a day. original is its Condition.
func (c Correction) DealtWith(original Original, day string) ([]fhir.Resource, error) {
	if day == "" || original.Raw == nil || original.Type != "Condition" {
		return nil, fmt.Errorf("what is dealt with is a Condition and has a day: %w", fault.Invalid)
	}
	o, err := c.copied(original, "Condition", nil)
	if err != nil {
		return nil, err
	}
	drop(o, "abatementAge", "abatementPeriod", "abatementRange", "abatementString", "_abatementDateTime")
	o["clinicalStatus"] = concept("", coding("http://terminology.hl7.org/CodeSystem/condition-clinical", "resolved"))
	o["abatementDateTime"] = day
	return c.both(c.resource("Condition", o))
}

// Wrong says that entries do not hold: they are about somebody else, or tell what did not happen.
// http://hl7.org/fhir/R4/detectedissue.html
func (c Correction) Wrong() ([]fhir.Resource, error) {
	var implicated []object
	for _, ref := range c.Revises {
		implicated = append(implicated, reference(ref))
	}
	if len(implicated) == 0 {
		return nil, fmt.Errorf("what is wrong is an entry: %w", fault.Invalid)
	}
	return c.both(c.resource("DetectedIssue", object{"status": "final", "code": own(chart.CodeEntryWrong, "Record entry that does not hold"),
		"patient": reference(c.Patient), "identifiedDateTime": instant(c.At), "author": c.By.actor(), "implicated": implicated, "detail": c.Why}))
}

// NoFilter says that the filter the entries tell of is not in this patient and never was.
// http://hl7.org/fhir/R4/observation.html
func (c Correction) NoFilter() ([]fhir.Resource, error) {
	if len(c.Revises) == 0 {
		return nil, fmt.Errorf("no entry tells of the filter: %w", fault.Invalid)
	}
	return c.both(c.resource("Observation", object{"status": "final", "code": own(chart.CodeNoFilter, "No such vena cava filter in this patient"),
		"subject": reference(c.Patient), "effectiveDateTime": instant(c.At), "performer": []object{c.By.actor()}, "valueBoolean": true, "note": c.notes()}))
}

// copied gives the content of an original without what belongs to its place in the record; fresh where there is none.
func (c Correction) copied(original Original, kind string, fresh object) (object, error) {
	if original.Raw == nil || original.Type != kind {
		if fresh == nil {
			return nil, fmt.Errorf("there is no entry to be corrected: %w", fault.Invalid)
		}
		return fresh, nil
	}
	var o object
	if err := json.Unmarshal(original.Raw, &o); err != nil {
		return nil, fmt.Errorf("the entry to be corrected: %w", fault.Invalid)
	}
	drop(o, "text", "identifier", "implicitRules", "language")
	return o, nil
}

func drop(o map[string]any, names ...string) {
	for _, name := range names {
		delete(o, name)
	}
}

// TakenBack gives the next version of an entry that says it was an error. A Provenance needs none: it is void with its target.
func TakenBack(h Head, raw []byte) (fhir.Resource, error) {
	var o object
	if err := json.Unmarshal(raw, &o); err != nil {
		return fhir.Resource{}, fmt.Errorf("the entry to be taken back: %w", fault.Invalid)
	}
	kind, _ := o["resourceType"].(string)
	h.ID, _ = o["id"].(string)
	if kind == "Condition" {
		drop(o, "clinicalStatus") // http://hl7.org/fhir/R4/condition.html#con-5
		o["verificationStatus"] = concept("", coding("http://terminology.hl7.org/CodeSystem/condition-ver-status", "entered-in-error"))
	} else {
		o["status"] = "entered-in-error"
	}
	return h.resource(kind, o)
}
