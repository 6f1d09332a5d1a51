package fhir

// elementOf gives the type of an element of a shape: what shape says in one text, taken apart, because it is asked for every member of
// every resource. A test holds the two together.
func elementOf(kind string, name string) string {
	switch kind {
	case "Resource":
		switch name {
		case "contained":
			return "Contained*"
		case "extension", "modifierExtension":
			return "Extension*"
		}
	case "AllergyIntolerance":
		switch name {
		case "identifier":
			return "Identifier*"
		case "clinicalStatus", "verificationStatus", "code":
			return "CodeableConcept"
		case "patient", "encounter":
			return "Reference"
		case "recordedDate", "onsetDateTime", "onsetString":
			return "string"
		case "onsetPeriod":
			return "Period"
		}
	case "Appointment":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "description", "comment", "start", "end", "created":
			return "string"
		case "serviceType", "specialty", "reasonCode":
			return "CodeableConcept*"
		case "reasonReference", "basedOn":
			return "Reference*"
		case "participant":
			return "AppointmentParticipant*"
		}
	case "AppointmentParticipant":
		switch name {
		case "actor":
			return "Reference"
		}
	case "Condition":
		switch name {
		case "identifier":
			return "Identifier*"
		case "clinicalStatus", "verificationStatus", "severity", "code":
			return "CodeableConcept"
		case "category", "bodySite":
			return "CodeableConcept*"
		case "subject", "encounter":
			return "Reference"
		case "onsetDateTime", "onsetString", "abatementDateTime", "abatementString", "recordedDate":
			return "string"
		case "onsetPeriod", "abatementPeriod":
			return "Period"
		case "onsetAge", "onsetRange", "abatementAge", "abatementRange":
			return "object"
		case "evidence":
			return "ConditionEvidence*"
		case "note":
			return "Annotation*"
		}
	case "ConditionEvidence":
		switch name {
		case "code":
			return "CodeableConcept*"
		case "detail":
			return "Reference*"
		}
	case "Device":
		switch name {
		case "identifier":
			return "Identifier*"
		case "udiCarrier":
			return "DeviceUdiCarrier*"
		case "status", "manufactureDate", "expirationDate", "lotNumber", "serialNumber", "modelNumber":
			return "string"
		case "statusReason":
			return "CodeableConcept*"
		case "deviceName":
			return "DeviceDeviceName*"
		case "type":
			return "CodeableConcept"
		case "patient":
			return "Reference"
		case "note":
			return "Annotation*"
		}
	case "DeviceUdiCarrier":
		switch name {
		case "deviceIdentifier", "carrierHRF":
			return "string"
		}
	case "DeviceDeviceName":
		switch name {
		case "name", "type":
			return "string"
		}
	case "DeviceUseStatement":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "timingDateTime", "recordedOn":
			return "string"
		case "subject", "device":
			return "Reference"
		case "timingPeriod":
			return "Period"
		case "timingTiming":
			return "object"
		case "reasonCode":
			return "CodeableConcept*"
		case "reasonReference":
			return "Reference*"
		case "bodySite":
			return "CodeableConcept"
		case "note":
			return "Annotation*"
		}
	case "DiagnosticReport":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "effectiveDateTime", "issued", "conclusion":
			return "string"
		case "category", "conclusionCode":
			return "CodeableConcept*"
		case "code":
			return "CodeableConcept"
		case "subject", "encounter":
			return "Reference"
		case "effectivePeriod":
			return "Period"
		case "result", "imagingStudy":
			return "Reference*"
		}
	case "DocumentReference":
		switch name {
		case "masterIdentifier":
			return "Identifier"
		case "identifier":
			return "Identifier*"
		case "status", "date":
			return "string"
		case "type":
			return "CodeableConcept"
		case "subject":
			return "Reference"
		}
	case "Encounter":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status":
			return "string"
		case "class":
			return "Coding"
		case "type", "reasonCode":
			return "CodeableConcept*"
		case "subject":
			return "Reference"
		case "period":
			return "Period"
		case "reasonReference":
			return "Reference*"
		case "diagnosis":
			return "EncounterDiagnosis*"
		}
	case "EncounterDiagnosis":
		switch name {
		case "condition":
			return "Reference"
		}
	case "ImagingStudy":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "started", "description":
			return "string"
		case "subject", "encounter":
			return "Reference"
		case "procedureCode":
			return "CodeableConcept*"
		}
	case "Medication":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status":
			return "string"
		case "code", "form":
			return "CodeableConcept"
		}
	case "MedicationAdministration":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "effectiveDateTime":
			return "string"
		case "medicationCodeableConcept":
			return "CodeableConcept"
		case "medicationReference", "subject", "context", "request":
			return "Reference"
		case "effectivePeriod":
			return "Period"
		case "dosage":
			return "MedicationAdministrationDosage"
		}
	case "MedicationAdministrationDosage":
		switch name {
		case "text":
			return "string"
		case "route", "method":
			return "CodeableConcept"
		case "dose":
			return "Quantity"
		}
	case "MedicationDispense":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "whenPrepared", "whenHandedOver":
			return "string"
		case "medicationCodeableConcept":
			return "CodeableConcept"
		case "medicationReference", "subject", "context":
			return "Reference"
		case "authorizingPrescription":
			return "Reference*"
		case "daysSupply":
			return "Quantity"
		case "dosageInstruction":
			return "Dosage*"
		}
	case "MedicationRequest":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "intent", "authoredOn":
			return "string"
		case "category", "reasonCode":
			return "CodeableConcept*"
		case "medicationCodeableConcept":
			return "CodeableConcept"
		case "medicationReference", "subject", "encounter":
			return "Reference"
		case "reasonReference":
			return "Reference*"
		case "dosageInstruction":
			return "Dosage*"
		case "dispenseRequest":
			return "MedicationRequestDispenseRequest"
		}
	case "MedicationRequestDispenseRequest":
		switch name {
		case "validityPeriod":
			return "Period"
		case "quantity", "expectedSupplyDuration":
			return "Quantity"
		}
	case "MedicationStatement":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "effectiveDateTime", "dateAsserted":
			return "string"
		case "medicationCodeableConcept":
			return "CodeableConcept"
		case "medicationReference", "subject", "context":
			return "Reference"
		case "effectivePeriod":
			return "Period"
		case "reasonCode":
			return "CodeableConcept*"
		case "dosage":
			return "Dosage*"
		}
	case "Observation":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "effectiveDateTime", "effectiveInstant", "issued", "valueString":
			return "string"
		case "category":
			return "CodeableConcept*"
		case "code", "valueCodeableConcept":
			return "CodeableConcept"
		case "subject", "encounter":
			return "Reference"
		case "effectivePeriod":
			return "Period"
		case "effectiveTiming":
			return "object"
		case "valueQuantity":
			return "Quantity"
		}
	case "Patient":
		switch name {
		case "identifier":
			return "Identifier*"
		case "name":
			return "HumanName*"
		case "gender", "birthDate", "deceasedDateTime":
			return "string"
		case "link":
			return "PatientLink*"
		}
	case "PatientLink":
		switch name {
		case "other":
			return "Reference"
		case "type":
			return "string"
		}
	case "Procedure":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "performedDateTime", "performedString":
			return "string"
		case "statusReason", "category", "code", "outcome":
			return "CodeableConcept"
		case "subject", "encounter":
			return "Reference"
		case "performedPeriod":
			return "Period"
		case "performedAge", "performedRange":
			return "object"
		case "reasonCode", "bodySite", "complication", "usedCode":
			return "CodeableConcept*"
		case "reasonReference", "usedReference":
			return "Reference*"
		case "note":
			return "Annotation*"
		case "focalDevice":
			return "ProcedureFocalDevice*"
		}
	case "ProcedureFocalDevice":
		switch name {
		case "action":
			return "CodeableConcept"
		case "manipulated":
			return "Reference"
		}
	case "ServiceRequest":
		switch name {
		case "identifier":
			return "Identifier*"
		case "status", "intent", "occurrenceDateTime", "authoredOn":
			return "string"
		case "category", "reasonCode":
			return "CodeableConcept*"
		case "code":
			return "CodeableConcept"
		case "subject", "encounter":
			return "Reference"
		case "occurrencePeriod":
			return "Period"
		case "occurrenceTiming":
			return "object"
		case "reasonReference":
			return "Reference*"
		case "note":
			return "Annotation*"
		}
	case "Task":
		switch name {
		case "identifier":
			return "Identifier*"
		case "basedOn":
			return "Reference*"
		case "status", "intent", "priority", "description", "authoredOn", "lastModified":
			return "string"
		case "statusReason", "businessStatus", "code":
			return "CodeableConcept"
		case "focus", "for", "encounter", "owner":
			return "Reference"
		case "note":
			return "Annotation*"
		}
	}
	return partOf(kind, name)
}
