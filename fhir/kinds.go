package fhir

// kind says what an element holds: one of the types whose elements this program reads, a string, or an object whose inside does not
// matter here; with list, any number of these. Numbers and booleans are not in it: one in quotes is read as what it says, so nothing
// is lost.
type kind uint8

// list is set beside the kind of an element that is a JSON array.
const list kind = 0x80

const (
	noKind kind = iota // an element that is not read
	kindString
	kindObject
	kindContained // a resource in a resource

	kindResource
	kindAllergyIntolerance
	kindAppointment
	kindAppointmentParticipant
	kindCondition
	kindConditionEvidence
	kindDevice
	kindDeviceUdiCarrier
	kindDeviceDeviceName
	kindDeviceUseStatement
	kindDiagnosticReport
	kindDocumentReference
	kindEncounter
	kindEncounterDiagnosis
	kindImagingStudy
	kindMedication
	kindMedicationAdministration
	kindMedicationAdministrationDosage
	kindMedicationDispense
	kindMedicationRequest
	kindMedicationRequestDispenseRequest
	kindMedicationStatement
	kindObservation
	kindPatient
	kindPatientLink
	kindProcedure
	kindProcedureFocalDevice
	kindServiceRequest
	kindTask

	kindAnnotation
	kindCodeableConcept
	kindCoding
	kindDosage
	kindDosageDoseAndRate
	kindExtension
	kindHumanName
	kindIdentifier
	kindPeriod
	kindQuantity
	kindReference
	kindTiming
	kindTimingRepeat
)

// kindNamed gives the kind of a type by its name, noKind for one whose elements are not read.
func kindNamed(name string) kind {
	switch name {
	case "Resource":
		return kindResource
	case "AllergyIntolerance":
		return kindAllergyIntolerance
	case "Appointment":
		return kindAppointment
	case "AppointmentParticipant":
		return kindAppointmentParticipant
	case "Condition":
		return kindCondition
	case "ConditionEvidence":
		return kindConditionEvidence
	case "Device":
		return kindDevice
	case "DeviceUdiCarrier":
		return kindDeviceUdiCarrier
	case "DeviceDeviceName":
		return kindDeviceDeviceName
	case "DeviceUseStatement":
		return kindDeviceUseStatement
	case "DiagnosticReport":
		return kindDiagnosticReport
	case "DocumentReference":
		return kindDocumentReference
	case "Encounter":
		return kindEncounter
	case "EncounterDiagnosis":
		return kindEncounterDiagnosis
	case "ImagingStudy":
		return kindImagingStudy
	case "Medication":
		return kindMedication
	case "MedicationAdministration":
		return kindMedicationAdministration
	case "MedicationAdministrationDosage":
		return kindMedicationAdministrationDosage
	case "MedicationDispense":
		return kindMedicationDispense
	case "MedicationRequest":
		return kindMedicationRequest
	case "MedicationRequestDispenseRequest":
		return kindMedicationRequestDispenseRequest
	case "MedicationStatement":
		return kindMedicationStatement
	case "Observation":
		return kindObservation
	case "Patient":
		return kindPatient
	case "PatientLink":
		return kindPatientLink
	case "Procedure":
		return kindProcedure
	case "ProcedureFocalDevice":
		return kindProcedureFocalDevice
	case "ServiceRequest":
		return kindServiceRequest
	case "Task":
		return kindTask
	case "Annotation":
		return kindAnnotation
	case "CodeableConcept":
		return kindCodeableConcept
	case "Coding":
		return kindCoding
	case "Dosage":
		return kindDosage
	case "DosageDoseAndRate":
		return kindDosageDoseAndRate
	case "Extension":
		return kindExtension
	case "HumanName":
		return kindHumanName
	case "Identifier":
		return kindIdentifier
	case "Period":
		return kindPeriod
	case "Quantity":
		return kindQuantity
	case "Reference":
		return kindReference
	case "Timing":
		return kindTiming
	case "TimingRepeat":
		return kindTimingRepeat
	}
	return noKind
}

// choices lists the elements of a shape that may have one of several types, without their [x]: only one may be there; "" fills up.
// http://hl7.org/fhir/R4/formats.html#choice
func choices(of kind) [2]string {
	switch of {
	case kindAllergyIntolerance:
		return [2]string{"onset"}
	case kindCondition:
		return [2]string{"onset", "abatement"}
	case kindDeviceUseStatement:
		return [2]string{"timing"}
	case kindDiagnosticReport:
		return [2]string{"effective"}
	case kindMedicationAdministration, kindMedicationStatement:
		return [2]string{"medication", "effective"}
	case kindMedicationDispense, kindMedicationRequest:
		return [2]string{"medication"}
	case kindObservation:
		return [2]string{"effective", "value"}
	case kindPatient:
		return [2]string{"deceased"}
	case kindProcedure:
		return [2]string{"performed"}
	case kindServiceRequest:
		return [2]string{"occurrence"}
	case kindDosage:
		return [2]string{"asNeeded"}
	case kindDosageDoseAndRate:
		return [2]string{"dose"}
	case kindTimingRepeat:
		return [2]string{"bounds"}
	}
	return [2]string{}
}

// chooses reports whether a member is one type of a choice: "onsetPeriod" of "onset".
func chooses(name, choice string) bool {
	return len(name) > len(choice) && name[:len(choice)] == choice && name[len(choice)] >= 'A' && name[len(choice)] <= 'Z'
}
