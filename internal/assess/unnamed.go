package assess

import (
	"slices"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"
)

// Unnamed lists what should be about a patient and is in nobody's record: an entry that names no patient and that no entry
// of a patient names. What was entered in error, and what is about no patient by its nature (a Medication, an
// Organization), is not listed. records are what Split gives for the same resources.
func Unnamed(resources []fhir.Resource, records []Record, basis Basis) []Unread {
	placed := map[string]bool{}
	for _, rec := range records {
		for _, e := range rec.Entries {
			placed[e.Resource.Ref()] = true
		}
	}
	s := screen.Screener{Sets: basis.Sets, Models: basis.Models}
	var out []Unread
	for _, r := range resources {
		path := whosePath(r.Type)
		if path == "" || r.ID != "" && placed[r.Ref()] {
			continue
		}
		if it := s.Item("default", r); it.Patient == "" && !it.Retracted {
			u := Unread{Resource: r.Ref(), Path: path, Reason: "no patient is named here, and no entry of a patient names this one: it was left out of every assessment"}
			if r.ID == "" {
				u.Resource = r.Type
			}
			if !slices.Contains(out, u) {
				out = append(out, u)
			}
		}
	}
	return out
}

// whosePath gives the element in which a resource of this type names its patient; "" for types that are not read by patient.
func whosePath(resourceType string) string {
	switch resourceType {
	case "AllergyIntolerance", "Device":
		return resourceType + ".patient"
	case "Appointment":
		return "Appointment.participant.actor"
	case "Task":
		return "Task.for"
	case "Condition", "DeviceUseStatement", "DiagnosticReport", "Encounter", "ImagingStudy", "MedicationAdministration", "MedicationDispense",
		"MedicationRequest", "MedicationStatement", "Observation", "Procedure", "ServiceRequest":
		return resourceType + ".subject"
	}
	return ""
}
