package entry

import (
	"fmt"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/fault"
)

const snomed = "http://snomed.info/sct"

// Outcomes of a retrieval.
const (
	Retrieved    = "retrieved"
	InPart       = "in-part"
	Failed       = "failed"
	NotAttempted = "not-attempted"
)

// Outcome is what became of a retrieval.
type Outcome struct {
	Head
	// Of names the record entries that make the filter itself and no other, as evidence names them.
	Of   []string
	What string // one of the outcomes
	On   string // YYYY, YYYY-MM or YYYY-MM-DD
}

// Resource gives a Procedure with the SNOMED CT codes for the removal of a filter and for its outcome; one that was not tried is
// not-done and says why. http://hl7.org/fhir/R4/procedure.html
func (p Outcome) Resource() (fhir.Resource, error) {
	if p.On == "" {
		return fhir.Resource{}, fmt.Errorf("an outcome has a day: %w", fault.Invalid)
	}
	o := object{
		"status": "completed", "code": concept("Retrieval of a vena cava filter", coding(snomed, "233439000")), "subject": reference(p.Patient),
		"performedDateTime": p.On, "recorder": p.By.actor(), "note": p.notes(),
	}
	action := "manipulated"
	switch p.What {
	case Retrieved:
		o["outcome"], action = concept("Successful", coding(snomed, "385669000")), "explanted"
	case InPart:
		o["outcome"] = concept("Partially successful: a part stayed in", coding(snomed, "385670004"))
	case Failed:
		o["outcome"] = concept("Unsuccessful", coding(snomed, "385671000"))
	case NotAttempted:
		if p.Why == "" {
			return fhir.Resource{}, fmt.Errorf("a retrieval that was not tried has a reason: %w", fault.Invalid)
		}
		o["status"], o["statusReason"] = "not-done", concept(p.Why)
	default:
		return fhir.Resource{}, fmt.Errorf("not an outcome: %w", fault.Invalid)
	}
	if isType(p.Focus, "Device") {
		o["focalDevice"] = []object{{"action": concept("", coding("http://hl7.org/fhir/device-action", action)), "manipulated": reference(p.Focus)}}
	} else if p.Focus != "" {
		o["reasonReference"] = []object{reference(p.Focus)}
	}
	var of []object
	for _, ref := range p.Of {
		of = append(of, object{"url": chart.OfExtension, "valueString": ref})
	}
	o["extension"] = of
	return p.resource("Procedure", o)
}

// isType reports whether a reference, relative or absolute, is to a resource of a type.
func isType(ref, kind string) bool {
	return strings.HasPrefix(ref, kind+"/") || strings.Contains(ref, "/"+kind+"/")
}
