package fhir

// partOf is elementOf for the data types.
func partOf(kind string, name []byte) string {
	switch kind {
	case "Annotation":
		switch string(name) {
		case "text":
			return "string"
		}
	case "CodeableConcept":
		switch string(name) {
		case "coding":
			return "Coding*"
		case "text":
			return "string"
		}
	case "Coding":
		switch string(name) {
		case "system", "code", "display":
			return "string"
		}
	case "Dosage":
		switch string(name) {
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
		switch string(name) {
		case "doseQuantity":
			return "Quantity"
		case "doseRange":
			return "object"
		}
	case "Extension":
		switch string(name) {
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
		switch string(name) {
		case "use", "text", "family":
			return "string"
		case "given":
			return "string*"
		}
	case "Identifier":
		switch string(name) {
		case "system", "value":
			return "string"
		}
	case "Period":
		switch string(name) {
		case "start", "end":
			return "string"
		}
	case "Quantity":
		switch string(name) {
		case "unit", "system", "code":
			return "string"
		}
	case "Reference":
		switch string(name) {
		case "reference", "type", "display":
			return "string"
		case "identifier":
			return "Identifier"
		}
	case "Timing":
		switch string(name) {
		case "event":
			return "string*"
		case "repeat":
			return "TimingRepeat"
		case "code":
			return "CodeableConcept"
		}
	case "TimingRepeat":
		switch string(name) {
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
