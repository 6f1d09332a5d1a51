package fhir

// partOf is elementOf for the data types.
func partOf(of kind, name string) kind {
	switch of {
	case kindAnnotation:
		switch name {
		case "text":
			return kindString
		}
	case kindCodeableConcept:
		switch name {
		case "coding":
			return kindCoding | list
		case "text":
			return kindString
		}
	case kindCoding:
		switch name {
		case "system", "code", "display":
			return kindString
		}
	case kindDosage:
		switch name {
		case "text", "patientInstruction":
			return kindString
		case "timing":
			return kindTiming
		case "asNeededCodeableConcept", "route", "method":
			return kindCodeableConcept
		case "doseAndRate":
			return kindDosageDoseAndRate | list
		}
	case kindDosageDoseAndRate:
		switch name {
		case "doseQuantity":
			return kindQuantity
		case "doseRange":
			return kindObject
		}
	case kindExtension:
		switch name {
		case "url", "valueCode":
			return kindString
		case "valueCoding":
			return kindCoding
		case "valueCodeableConcept":
			return kindCodeableConcept
		case "valueReference":
			return kindReference
		}
	case kindHumanName:
		switch name {
		case "use", "text", "family":
			return kindString
		case "given":
			return kindString | list
		}
	case kindIdentifier:
		switch name {
		case "system", "value":
			return kindString
		}
	case kindPeriod:
		switch name {
		case "start", "end":
			return kindString
		}
	case kindQuantity:
		switch name {
		case "unit", "system", "code":
			return kindString
		}
	case kindReference:
		switch name {
		case "reference", "type", "display":
			return kindString
		case "identifier":
			return kindIdentifier
		}
	case kindTiming:
		switch name {
		case "event":
			return kindString | list
		case "repeat":
			return kindTimingRepeat
		case "code":
			return kindCodeableConcept
		}
	case kindTimingRepeat:
		switch name {
		case "boundsPeriod":
			return kindPeriod
		case "boundsDuration":
			return kindQuantity
		case "boundsRange":
			return kindObject
		case "periodUnit":
			return kindString
		}
	}
	return noKind
}
