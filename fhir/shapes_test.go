package fhir

// shape lists the elements that elementOf knows of a resource type, a data type or a part of one, as words "name:type". A type that
// ends in * is a list of that type.
//
// http://hl7.org/fhir/R4/resourcelist.html and the pages of the types.
func shape(kind string) string {
	switch kind {
	case "Resource":
		return "contained:Contained* extension:Extension* modifierExtension:Extension*"
	case "AllergyIntolerance":
		return "identifier:Identifier* clinicalStatus:CodeableConcept verificationStatus:CodeableConcept code:CodeableConcept " +
			"patient:Reference encounter:Reference recordedDate:string onsetDateTime:string onsetPeriod:Period onsetString:string"
	case "Appointment":
		return "identifier:Identifier* status:string serviceType:CodeableConcept* specialty:CodeableConcept* " +
			"reasonCode:CodeableConcept* reasonReference:Reference* basedOn:Reference* description:string comment:string " +
			"start:string end:string created:string participant:AppointmentParticipant*"
	case "AppointmentParticipant":
		return "actor:Reference"
	case "Condition":
		return "identifier:Identifier* clinicalStatus:CodeableConcept verificationStatus:CodeableConcept " +
			"category:CodeableConcept* severity:CodeableConcept code:CodeableConcept bodySite:CodeableConcept* subject:Reference " +
			"encounter:Reference onsetDateTime:string onsetPeriod:Period onsetString:string onsetAge:object onsetRange:object " +
			"abatementDateTime:string abatementPeriod:Period abatementString:string abatementAge:object abatementRange:object " +
			"recordedDate:string evidence:ConditionEvidence* note:Annotation*"
	case "ConditionEvidence":
		return "code:CodeableConcept* detail:Reference*"
	case "Device":
		return "identifier:Identifier* udiCarrier:DeviceUdiCarrier* status:string statusReason:CodeableConcept* " +
			"manufactureDate:string expirationDate:string lotNumber:string serialNumber:string modelNumber:string " +
			"deviceName:DeviceDeviceName* type:CodeableConcept patient:Reference note:Annotation*"
	case "DeviceUdiCarrier":
		return "deviceIdentifier:string carrierHRF:string"
	case "DeviceDeviceName":
		return "name:string type:string"
	case "DeviceUseStatement":
		return "identifier:Identifier* status:string subject:Reference device:Reference timingDateTime:string " +
			"timingPeriod:Period timingTiming:object recordedOn:string reasonCode:CodeableConcept* reasonReference:Reference* " +
			"bodySite:CodeableConcept note:Annotation*"
	case "DiagnosticReport":
		return "identifier:Identifier* status:string category:CodeableConcept* code:CodeableConcept subject:Reference " +
			"encounter:Reference effectiveDateTime:string effectivePeriod:Period issued:string conclusion:string " +
			"conclusionCode:CodeableConcept* result:Reference* imagingStudy:Reference*"
	case "DocumentReference":
		return "masterIdentifier:Identifier identifier:Identifier* status:string type:CodeableConcept subject:Reference date:string"
	case "Encounter":
		return "identifier:Identifier* status:string class:Coding type:CodeableConcept* subject:Reference period:Period " +
			"reasonCode:CodeableConcept* reasonReference:Reference* diagnosis:EncounterDiagnosis*"
	case "EncounterDiagnosis":
		return "condition:Reference"
	case "ImagingStudy":
		return "identifier:Identifier* status:string subject:Reference encounter:Reference started:string " +
			"procedureCode:CodeableConcept* description:string"
	case "Medication":
		return "identifier:Identifier* status:string code:CodeableConcept form:CodeableConcept"
	case "MedicationAdministration":
		return "identifier:Identifier* status:string medicationCodeableConcept:CodeableConcept medicationReference:Reference " +
			"subject:Reference context:Reference effectiveDateTime:string effectivePeriod:Period request:Reference " +
			"dosage:MedicationAdministrationDosage"
	case "MedicationAdministrationDosage":
		return "text:string route:CodeableConcept method:CodeableConcept dose:Quantity"
	case "MedicationDispense":
		return "identifier:Identifier* status:string medicationCodeableConcept:CodeableConcept medicationReference:Reference " +
			"subject:Reference context:Reference authorizingPrescription:Reference* daysSupply:Quantity whenPrepared:string " +
			"whenHandedOver:string dosageInstruction:Dosage*"
	case "MedicationRequest":
		return "identifier:Identifier* status:string intent:string category:CodeableConcept* " +
			"medicationCodeableConcept:CodeableConcept medicationReference:Reference subject:Reference encounter:Reference " +
			"authoredOn:string reasonCode:CodeableConcept* reasonReference:Reference* dosageInstruction:Dosage* " +
			"dispenseRequest:MedicationRequestDispenseRequest"
	case "MedicationRequestDispenseRequest":
		return "validityPeriod:Period quantity:Quantity expectedSupplyDuration:Quantity"
	case "MedicationStatement":
		return "identifier:Identifier* status:string medicationCodeableConcept:CodeableConcept medicationReference:Reference " +
			"subject:Reference context:Reference effectiveDateTime:string effectivePeriod:Period dateAsserted:string " +
			"reasonCode:CodeableConcept* dosage:Dosage*"
	case "Observation":
		return "identifier:Identifier* status:string category:CodeableConcept* code:CodeableConcept subject:Reference " +
			"encounter:Reference effectiveDateTime:string effectivePeriod:Period effectiveTiming:object effectiveInstant:string " +
			"issued:string valueQuantity:Quantity valueCodeableConcept:CodeableConcept valueString:string"
	case "Patient":
		return "identifier:Identifier* name:HumanName* gender:string birthDate:string deceasedDateTime:string link:PatientLink*"
	case "PatientLink":
		return "other:Reference type:string"
	case "Procedure":
		return "identifier:Identifier* status:string statusReason:CodeableConcept category:CodeableConcept code:CodeableConcept " +
			"subject:Reference encounter:Reference performedDateTime:string performedPeriod:Period performedString:string " +
			"performedAge:object performedRange:object reasonCode:CodeableConcept* reasonReference:Reference* " +
			"bodySite:CodeableConcept* outcome:CodeableConcept complication:CodeableConcept* note:Annotation* " +
			"focalDevice:ProcedureFocalDevice* usedReference:Reference* usedCode:CodeableConcept*"
	case "ProcedureFocalDevice":
		return "action:CodeableConcept manipulated:Reference"
	case "ServiceRequest":
		return "identifier:Identifier* status:string intent:string category:CodeableConcept* code:CodeableConcept " +
			"subject:Reference encounter:Reference occurrenceDateTime:string occurrencePeriod:Period occurrenceTiming:object " +
			"authoredOn:string reasonCode:CodeableConcept* reasonReference:Reference* note:Annotation*"
	case "Task":
		return "identifier:Identifier* basedOn:Reference* status:string statusReason:CodeableConcept " +
			"businessStatus:CodeableConcept intent:string priority:string code:CodeableConcept description:string " +
			"focus:Reference for:Reference encounter:Reference authoredOn:string lastModified:string owner:Reference note:Annotation*"

	case "Annotation":
		return "text:string"
	case "CodeableConcept":
		return "coding:Coding* text:string"
	case "Coding":
		return "system:string code:string display:string"
	case "Dosage":
		return "text:string patientInstruction:string timing:Timing asNeededCodeableConcept:CodeableConcept " +
			"route:CodeableConcept method:CodeableConcept doseAndRate:DosageDoseAndRate*"
	case "DosageDoseAndRate":
		return "doseQuantity:Quantity doseRange:object"
	case "Extension":
		return "url:string valueCode:string valueCoding:Coding valueCodeableConcept:CodeableConcept valueReference:Reference"
	case "HumanName":
		return "use:string text:string family:string given:string*"
	case "Identifier":
		return "system:string value:string"
	case "Period":
		return "start:string end:string"
	case "Quantity":
		return "unit:string system:string code:string"
	case "Reference":
		return "reference:string type:string identifier:Identifier display:string"
	case "Timing":
		return "event:string* repeat:TimingRepeat code:CodeableConcept"
	case "TimingRepeat":
		return "boundsPeriod:Period boundsDuration:Quantity boundsRange:object periodUnit:string"
	}
	return ""
}
