package fhir

// elementOf gives the kind of an element of a type; noKind for one that is not read. It is asked for every member of every resource.
// http://hl7.org/fhir/R4/resourcelist.html and the pages of the types; a test compares every element with samply's structs, which are
// generated from HL7's definitions.
func elementOf(of kind, name string) kind {
	switch of {
	case kindResource:
		switch name {
		case "contained":
			return kindContained | list
		case "extension", "modifierExtension":
			return kindExtension | list
		}
	case kindAllergyIntolerance:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "clinicalStatus", "verificationStatus", "code":
			return kindCodeableConcept
		case "patient", "encounter":
			return kindReference
		case "recordedDate", "onsetDateTime", "onsetString":
			return kindString
		case "onsetPeriod":
			return kindPeriod
		}
	case kindAppointment:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "description", "comment", "start", "end", "created":
			return kindString
		case "serviceType", "specialty", "reasonCode":
			return kindCodeableConcept | list
		case "reasonReference", "basedOn":
			return kindReference | list
		case "participant":
			return kindAppointmentParticipant | list
		}
	case kindAppointmentParticipant:
		switch name {
		case "actor":
			return kindReference
		}
	case kindCondition:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "clinicalStatus", "verificationStatus", "severity", "code":
			return kindCodeableConcept
		case "category", "bodySite":
			return kindCodeableConcept | list
		case "subject", "encounter":
			return kindReference
		case "onsetDateTime", "onsetString", "abatementDateTime", "abatementString", "recordedDate":
			return kindString
		case "onsetPeriod", "abatementPeriod":
			return kindPeriod
		case "onsetAge", "onsetRange", "abatementAge", "abatementRange":
			return kindObject
		case "evidence":
			return kindConditionEvidence | list
		case "note":
			return kindAnnotation | list
		}
	case kindConditionEvidence:
		switch name {
		case "code":
			return kindCodeableConcept | list
		case "detail":
			return kindReference | list
		}
	case kindDevice:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "udiCarrier":
			return kindDeviceUdiCarrier | list
		case "status", "manufactureDate", "expirationDate", "lotNumber", "serialNumber", "modelNumber":
			return kindString
		case "statusReason":
			return kindCodeableConcept | list
		case "deviceName":
			return kindDeviceDeviceName | list
		case "type":
			return kindCodeableConcept
		case "patient":
			return kindReference
		case "note":
			return kindAnnotation | list
		}
	case kindDeviceUdiCarrier:
		switch name {
		case "deviceIdentifier", "carrierHRF":
			return kindString
		}
	case kindDeviceDeviceName:
		switch name {
		case "name", "type":
			return kindString
		}
	case kindDeviceUseStatement:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "timingDateTime", "recordedOn":
			return kindString
		case "subject", "device":
			return kindReference
		case "timingPeriod":
			return kindPeriod
		case "timingTiming":
			return kindObject
		case "reasonCode":
			return kindCodeableConcept | list
		case "reasonReference":
			return kindReference | list
		case "bodySite":
			return kindCodeableConcept
		case "note":
			return kindAnnotation | list
		}
	case kindDiagnosticReport:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "effectiveDateTime", "issued", "conclusion":
			return kindString
		case "category", "conclusionCode":
			return kindCodeableConcept | list
		case "code":
			return kindCodeableConcept
		case "subject", "encounter":
			return kindReference
		case "effectivePeriod":
			return kindPeriod
		case "result", "imagingStudy":
			return kindReference | list
		}
	case kindDocumentReference:
		switch name {
		case "masterIdentifier":
			return kindIdentifier
		case "identifier":
			return kindIdentifier | list
		case "status", "date":
			return kindString
		case "type":
			return kindCodeableConcept
		case "subject":
			return kindReference
		}
	case kindEncounter:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status":
			return kindString
		case "class":
			return kindCoding
		case "type", "reasonCode":
			return kindCodeableConcept | list
		case "subject":
			return kindReference
		case "period":
			return kindPeriod
		case "reasonReference":
			return kindReference | list
		case "diagnosis":
			return kindEncounterDiagnosis | list
		}
	case kindEncounterDiagnosis:
		switch name {
		case "condition":
			return kindReference
		}
	case kindImagingStudy:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "started", "description":
			return kindString
		case "subject", "encounter":
			return kindReference
		case "procedureCode":
			return kindCodeableConcept | list
		}
	case kindMedication:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status":
			return kindString
		case "code", "form":
			return kindCodeableConcept
		}
	case kindMedicationAdministration:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "effectiveDateTime":
			return kindString
		case "medicationCodeableConcept":
			return kindCodeableConcept
		case "medicationReference", "subject", "context", "request":
			return kindReference
		case "effectivePeriod":
			return kindPeriod
		case "dosage":
			return kindMedicationAdministrationDosage
		}
	case kindMedicationAdministrationDosage:
		switch name {
		case "text":
			return kindString
		case "route", "method":
			return kindCodeableConcept
		case "dose":
			return kindQuantity
		}
	case kindMedicationDispense:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "whenPrepared", "whenHandedOver":
			return kindString
		case "medicationCodeableConcept":
			return kindCodeableConcept
		case "medicationReference", "subject", "context":
			return kindReference
		case "authorizingPrescription":
			return kindReference | list
		case "daysSupply":
			return kindQuantity
		case "dosageInstruction":
			return kindDosage | list
		}
	case kindMedicationRequest:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "intent", "authoredOn":
			return kindString
		case "category", "reasonCode":
			return kindCodeableConcept | list
		case "medicationCodeableConcept":
			return kindCodeableConcept
		case "medicationReference", "subject", "encounter":
			return kindReference
		case "reasonReference":
			return kindReference | list
		case "dosageInstruction":
			return kindDosage | list
		case "dispenseRequest":
			return kindMedicationRequestDispenseRequest
		}
	case kindMedicationRequestDispenseRequest:
		switch name {
		case "validityPeriod":
			return kindPeriod
		case "quantity", "expectedSupplyDuration":
			return kindQuantity
		}
	case kindMedicationStatement:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "effectiveDateTime", "dateAsserted":
			return kindString
		case "medicationCodeableConcept":
			return kindCodeableConcept
		case "medicationReference", "subject", "context":
			return kindReference
		case "effectivePeriod":
			return kindPeriod
		case "reasonCode":
			return kindCodeableConcept | list
		case "dosage":
			return kindDosage | list
		}
	case kindObservation:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "effectiveDateTime", "effectiveInstant", "issued", "valueString":
			return kindString
		case "category":
			return kindCodeableConcept | list
		case "code", "valueCodeableConcept":
			return kindCodeableConcept
		case "subject", "encounter":
			return kindReference
		case "effectivePeriod":
			return kindPeriod
		case "effectiveTiming":
			return kindObject
		case "valueQuantity":
			return kindQuantity
		}
	case kindPatient:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "name":
			return kindHumanName | list
		case "gender", "birthDate", "deceasedDateTime":
			return kindString
		case "link":
			return kindPatientLink | list
		}
	case kindPatientLink:
		switch name {
		case "other":
			return kindReference
		case "type":
			return kindString
		}
	case kindProcedure:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "performedDateTime", "performedString":
			return kindString
		case "statusReason", "category", "code", "outcome":
			return kindCodeableConcept
		case "subject", "encounter":
			return kindReference
		case "performedPeriod":
			return kindPeriod
		case "performedAge", "performedRange":
			return kindObject
		case "reasonCode", "bodySite", "complication", "usedCode":
			return kindCodeableConcept | list
		case "reasonReference", "usedReference":
			return kindReference | list
		case "note":
			return kindAnnotation | list
		case "focalDevice":
			return kindProcedureFocalDevice | list
		}
	case kindProcedureFocalDevice:
		switch name {
		case "action":
			return kindCodeableConcept
		case "manipulated":
			return kindReference
		}
	case kindServiceRequest:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "status", "intent", "occurrenceDateTime", "authoredOn":
			return kindString
		case "category", "reasonCode":
			return kindCodeableConcept | list
		case "code":
			return kindCodeableConcept
		case "subject", "encounter":
			return kindReference
		case "occurrencePeriod":
			return kindPeriod
		case "occurrenceTiming":
			return kindObject
		case "reasonReference":
			return kindReference | list
		case "note":
			return kindAnnotation | list
		}
	case kindTask:
		switch name {
		case "identifier":
			return kindIdentifier | list
		case "basedOn":
			return kindReference | list
		case "status", "intent", "priority", "description", "authoredOn", "lastModified":
			return kindString
		case "statusReason", "businessStatus", "code":
			return kindCodeableConcept
		case "focus", "for", "encounter", "owner":
			return kindReference
		case "note":
			return kindAnnotation | list
		}
	}
	return partOf(of, name)
}
