package fhir

import (
	"strconv"
	"strings"
)

// shape lists the elements that this program reads of a resource type, a data type or a part of one, as words
// "name:type". A type that ends in * is a list of that type. Besides the names of other shapes there is "string" and
// "object", an object whose inside does not matter here. Numbers and booleans are not in it: one in quotes is read as
// what it says, so nothing is lost.
//
// http://hl7.org/fhir/R4/resourcelist.html and the pages of the types; a test compares every word with samply's structs,
// which are generated from HL7's definitions.
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

// shaped reports a type that has a shape.
func shaped(kind string) bool { return shape(kind) != "" }

// choices lists the elements of a shape that may have one of several types, without their [x]: only one may be there.
// http://hl7.org/fhir/R4/formats.html#choice
func choices(kind string) string {
	switch kind {
	case "AllergyIntolerance":
		return "onset"
	case "Condition":
		return "onset abatement"
	case "DeviceUseStatement":
		return "timing"
	case "DiagnosticReport":
		return "effective"
	case "MedicationAdministration", "MedicationStatement":
		return "medication effective"
	case "MedicationDispense", "MedicationRequest":
		return "medication"
	case "Observation":
		return "effective value"
	case "Patient":
		return "deceased"
	case "Procedure":
		return "performed"
	case "ServiceRequest":
		return "occurrence"
	case "Dosage":
		return "asNeeded"
	case "DosageDoseAndRate":
		return "dose"
	case "TimingRepeat":
		return "bounds"
	}
	return ""
}

// former compares a document with shapes: it lists the elements that are of another JSON kind than FHIR gives them, and those of
// which two types are given at once. What stands there would be taken for missing, and the version would take the place of a good
// one. It goes through the document once: what is compared gives the place after it. Only types whose elements are read are looked at.
type former struct {
	raw    []byte
	path   []step
	issues []Issue
	head   head
	loose  bool // as DecodeLoose reads: the resource's own status and days are left out
}

// begin makes a former as new for a document.
func (f *former) begin(raw []byte) {
	if f.path == nil {
		f.path = make([]step, 0, 16)
	}
	*f = former{raw: raw, path: f.path[:0], loose: f.loose}
}

// head holds the members of a resource that all resources have, and those of a Bundle, as they stand.
type head struct{ named, id, meta, kind, entry []byte }

func (h *head) note(name, value []byte) {
	switch string(name) {
	case "resourceType":
		h.named = value
	case "id":
		h.id = value
	case "meta":
		h.meta = value
	case "type":
		h.kind = value
	case "entry":
		h.entry = value
	}
}

// resource compares the resource at at with the shape of its type and notes its head.
func (f *former) resource(kind string, at int) int {
	known := shaped(kind)
	chosen := choices(kind)
	var given [4]int
	return through(f.raw, at, func(name []byte, at int) int {
		end := at
		if known {
			end = f.member(kind, true, chosen, &given, name, at)
		} else {
			end = valueEnd(f.raw, at)
		}
		f.head.note(name, f.raw[at:end])
		return end
	})
}

// object compares the object at at with a shape.
func (f *former) object(kind string, at int) int {
	chosen := choices(kind)
	var given [4]int
	return through(f.raw, at, func(name []byte, at int) int { return f.member(kind, false, chosen, &given, name, at) })
}

// member compares one member of an object; a resource has the elements that all resources have, too.
func (f *former) member(kind string, resource bool, chosen string, given *[4]int, name []byte, at int) int {
	loose := f.loose && resource
	if chosen != "" && !(loose && dayChoice(kind, string(name)) != "") {
		f.choose(chosen, name, given)
	}
	if loose && (string(name) == "status" || DayKind(kind, string(name)) != 0) {
		return valueEnd(f.raw, at)
	}
	typ := elementOf(kind, name)
	if typ == "" && resource {
		typ = elementOf("Resource", name)
	}
	if typ == "" {
		return valueEnd(f.raw, at)
	}
	f.path = append(f.path, step{name, -1})
	end := f.element(typ, at)
	f.path = f.path[:len(f.path)-1]
	return end
}

func (f *former) note(text string) {
	if len(f.issues) < maxIssues {
		f.issues = append(f.issues, Issue{"error", "structure", f.place(), text})
	}
}

// place writes the element in hand. It is asked for only where there is something to say.
func (f *former) place() string {
	var b strings.Builder
	for _, p := range f.path {
		switch {
		case p.index >= 0:
			b.WriteString("[" + strconv.Itoa(p.index) + "]")
			continue
		case b.Len() > 0:
			b.WriteByte('.')
		}
		b.Write(p.name)
	}
	return b.String()
}

// choose counts the types given of each choice, and notes the second.
func (f *former) choose(chosen string, name []byte, given *[4]int) {
	for n := 0; chosen != ""; n++ {
		one, rest, _ := strings.Cut(chosen, " ")
		chosen = rest
		if !chooses(name, one) {
			continue
		}
		if given[n]++; given[n] == 2 {
			f.path = append(f.path, step{[]byte(one), -1})
			f.note("more than one " + one + "[x] is given; FHIR allows one")
			f.path = f.path[:len(f.path)-1]
		}
	}
}

// chooses reports whether a member is one type of a choice: "onsetPeriod" of "onset".
func chooses(name []byte, choice string) bool {
	return len(name) > len(choice) && string(name[:len(choice)]) == choice && name[len(choice)] >= 'A' && name[len(choice)] <= 'Z'
}

// element compares the value at at with its type.
func (f *former) element(typ string, at int) int {
	var kind byte
	if at < len(f.raw) {
		kind = f.raw[at]
	}
	if one, ok := strings.CutSuffix(typ, "*"); ok {
		if kind != '[' {
			f.note("a list was expected")
			return valueEnd(f.raw, at)
		}
		return f.list(one, at)
	}
	if typ == "string" {
		if kind != '"' {
			f.note("a string was expected")
		}
		return valueEnd(f.raw, at)
	}
	if kind != '{' {
		f.note("an object was expected")
		return valueEnd(f.raw, at)
	}
	if typ == "Contained" {
		if typ = text(member(f.raw[at:valueEnd(f.raw, at)], "resourceType")); !shaped(typ) {
			return valueEnd(f.raw, at)
		}
	}
	if typ == "object" {
		return valueEnd(f.raw, at)
	}
	return f.object(typ, at)
}

// list compares the elements of the array at at.
func (f *former) list(one string, at int) int {
	n := -1
	return throughItems(f.raw, at, func(at int) int {
		n++
		// A list of strings may hold null where only an extension stands (http://hl7.org/fhir/R4/json.html#null).
		if one == "string" && f.raw[at] == 'n' {
			return valueEnd(f.raw, at)
		}
		f.path = append(f.path, step{index: n})
		end := f.element(one, at)
		f.path = f.path[:len(f.path)-1]
		return end
	})
}
