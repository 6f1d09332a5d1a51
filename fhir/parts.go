package fhir

// partOf is elementOf for the data types.
func partOf(kind string, name string) string {
	switch kind {
	case "Annotation":
		switch name {
		case "text":
			return "string"
		}
	case "CodeableConcept":
		switch name {
		case "coding":
			return "Coding*"
		case "text":
			return "string"
		}
	case "Coding":
		switch name {
		case "system", "code", "display":
			return "string"
		}
	case "Dosage":
		switch name {
		case "text", "patientInstruction":
			return "string"
		case "timing":
			return "Timing"
		case "asNeededCodeableConcept", "route", "method":
			return "CodeableConcept"
		case "doseAndRate":
			return "DosageDoseAndRate*"
		}
	case "DosageDoseAndRate":
		switch name {
		case "doseQuantity":
			return "Quantity"
		case "doseRange":
			return "object"
		}
	case "Extension":
		switch name {
		case "url", "valueCode":
			return "string"
		case "valueCoding":
			return "Coding"
		case "valueCodeableConcept":
			return "CodeableConcept"
		case "valueReference":
			return "Reference"
		}
	case "HumanName":
		switch name {
		case "use", "text", "family":
			return "string"
		case "given":
			return "string*"
		}
	case "Identifier":
		switch name {
		case "system", "value":
			return "string"
		}
	case "Period":
		switch name {
		case "start", "end":
			return "string"
		}
	case "Quantity":
		switch name {
		case "unit", "system", "code":
			return "string"
		}
	case "Reference":
		switch name {
		case "reference", "type", "display":
			return "string"
		case "identifier":
			return "Identifier"
		}
	case "Timing":
		switch name {
		case "event":
			return "string*"
		case "repeat":
			return "TimingRepeat"
		case "code":
			return "CodeableConcept"
		}
	case "TimingRepeat":
		switch name {
		case "boundsPeriod":
			return "Period"
		case "boundsDuration":
			return "Quantity"
		case "boundsRange":
			return "object"
		case "periodUnit":
			return "string"
		}
	}
	return ""
}
