package api

import (
	"slices"
)

// keptTypes are the resource types that the doors hand on to the screen.
func keptTypes() []string {
	return []string{"AllergyIntolerance", "Appointment", "Condition", "Device", "DeviceUseStatement", "DiagnosticReport",
		"DocumentReference", "Encounter", "ImagingStudy", "Medication", "MedicationAdministration", "MedicationDispense",
		"MedicationRequest", "MedicationStatement", "Observation", "Patient", "Procedure", "ServiceRequest", "Task"}
}

func kept(resourceType string) bool { return slices.Contains(keptTypes(), resourceType) }
