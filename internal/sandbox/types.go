package sandbox

import "slices"

// types lists the resource types that the record holds, in alphabetical order.
func types() []string {
	return []string{"AllergyIntolerance", "Appointment", "AuditEvent", "CarePlan", "Communication", "Condition", "Device",
		"DeviceDefinition", "DeviceUseStatement", "DiagnosticReport", "DocumentReference", "Encounter", "EpisodeOfCare", "Flag",
		"ImagingStudy", "Location", "Medication", "MedicationAdministration", "MedicationDispense", "MedicationRequest",
		"MedicationStatement", "Observation", "Organization", "Patient", "Practitioner", "PractitionerRole", "Procedure",
		"Provenance", "ServiceRequest", "Task"}
}

func known(typ string) bool {
	_, found := slices.BinarySearch(types(), typ)
	return found
}

// patientPath gives where a type names its patient, as a gjson path; "" for a type that names none. subject says that R4
// also defines the search parameter "subject" for it (http://hl7.org/fhir/R4/searchparameter-registry.html).
func patientPath(typ string) (path string, subject bool) {
	switch typ {
	case "AllergyIntolerance", "Device", "EpisodeOfCare":
		return "patient.reference", false
	case "Appointment":
		return "participant.#.actor.reference", false
	case "Provenance":
		return "target.#.reference", false
	case "Task":
		return "for.reference", true
	case "AuditEvent", "DeviceDefinition", "Location", "Medication", "Organization", "Patient", "Practitioner", "PractitionerRole":
		return "", false
	}
	return "subject.reference", true
}
