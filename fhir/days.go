package fhir

// dayChoice gives the choice of a resource type that an element is one type of, where that choice tells a day: "performed" for
// performedPeriod of a Procedure; "" for any other element. A death is not among them: its boolean says more than a day.
func dayChoice(resourceType, name string) string {
	is := func(choice string) bool { return chooses(name, choice) }
	switch resourceType {
	case "Procedure":
		if is("performed") {
			return "performed"
		}
	case "DiagnosticReport", "MedicationAdministration", "MedicationStatement", "Observation":
		if is("effective") {
			return "effective"
		}
	case "AllergyIntolerance", "Condition":
		if is("onset") {
			return "onset"
		}
		if resourceType == "Condition" && is("abatement") {
			return "abatement"
		}
	case "DeviceUseStatement":
		if is("timing") {
			return "timing"
		}
	case "ServiceRequest":
		if is("occurrence") {
			return "occurrence"
		}
	}
	return ""
}

// DayKind gives the first byte of the JSON value that an element of a resource has which tells a day: '"' for a date or a text,
// '{' for a Period and the like; 0 for any other element.
func DayKind(resourceType, name string) byte {
	switch {
	case isDate(name):
		return '"'
	case isPeriod(name):
		return '{'
	case dayChoice(resourceType, name) == "":
		return 0
	}
	switch elementOf(kindNamed(resourceType), name) {
	case noKind:
		return 0
	case kindString:
		return '"'
	}
	return '{'
}

// DayChoice gives the choice that an element is one type of, where it tells a day of a resource: only one type of it may be
// given. "" for any other element.
func DayChoice(resourceType, name string) string {
	if DayKind(resourceType, name) == 0 {
		return ""
	}
	return dayChoice(resourceType, name)
}
