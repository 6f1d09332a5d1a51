package fhir

import (
	"slices"
	"strings"
	"time"
)

// statuses lists the codes of status where R4 binds it as required; the element itself is mandatory in these types.
// http://hl7.org/fhir/R4/procedure.html and the pages of the other types; a test compares with
// samply's code lists, except for the types of medication, which samply has no lists for: those are from memory.
func statuses(resourceType string) []string {
	switch resourceType {
	case "Procedure":
		return strings.Fields("preparation in-progress not-done on-hold stopped completed entered-in-error unknown")
	case "DeviceUseStatement":
		return strings.Fields("active completed entered-in-error intended stopped on-hold")
	case "MedicationRequest":
		return strings.Fields("active on-hold cancelled completed entered-in-error stopped draft unknown")
	case "MedicationStatement":
		return strings.Fields("active completed entered-in-error intended stopped on-hold unknown not-taken")
	case "MedicationAdministration":
		return strings.Fields("in-progress not-done on-hold completed entered-in-error stopped unknown")
	case "MedicationDispense":
		return strings.Fields("preparation in-progress cancelled on-hold completed entered-in-error stopped declined unknown")
	case "Observation":
		return strings.Fields("registered preliminary final amended corrected cancelled entered-in-error unknown")
	case "DiagnosticReport":
		return strings.Fields("registered partial preliminary final amended corrected appended cancelled entered-in-error unknown")
	case "ImagingStudy":
		return strings.Fields("registered available cancelled entered-in-error unknown")
	case "ServiceRequest":
		return strings.Fields("draft active on-hold revoked completed entered-in-error unknown")
	case "Appointment":
		return strings.Fields("proposed pending booked arrived fulfilled cancelled noshow entered-in-error checked-in waitlist")
	case "Encounter":
		return strings.Fields("planned arrived triaged in-progress onleave finished cancelled entered-in-error unknown")
	case "Task":
		return strings.Fields("draft requested received accepted rejected ready cancelled in-progress on-hold failed completed entered-in-error")
	case "DocumentReference":
		return strings.Fields("current superseded entered-in-error")
	}
	return nil
}

// optionalStatuses lists the codes of status where it may be missing.
func optionalStatuses(resourceType string) []string {
	switch resourceType {
	case "Device":
		return strings.Fields("active inactive entered-in-error unknown")
	case "Medication":
		return strings.Fields("active inactive entered-in-error")
	}
	return nil
}

// intents lists the codes of intent where an order that is taken for one depends on it. http://hl7.org/fhir/R4/valueset-medicationrequest-intent.html
func intents(resourceType string) []string {
	if resourceType == "MedicationRequest" {
		return strings.Fields("proposal plan order original-order reflex-order filler-order instance-order option")
	}
	return nil
}

// Warnings lists what the sender of a readable resource should hear: a status or an intent that is missing or that R4 does not
// know, days that the calendar does not have, times without an offset, and periods that end before they begin. Nothing of it
// keeps the resource from being taken.
func Warnings(r Resource) []Issue {
	var out []Issue
	warn := func(code, element, text string) {
		out = append(out, Issue{"warning", code, r.Type + "." + element, text})
	}
	required, optional := statuses(r.Type), optionalStatuses(r.Type)
	status := member(r.Raw, "status")
	switch {
	case status == nil && required != nil:
		warn("required", "status", "status is missing; what is told may not be used")
	case status != nil && (required != nil || optional != nil) && !slices.Contains(append(required, optional...), text(status)):
		warn("code-invalid", "status", "this status is not one of FHIR R4; what is told may not be used")
	}
	if known := intents(r.Type); known != nil {
		switch intent := member(r.Raw, "intent"); {
		case intent == nil:
			warn("required", "intent", "intent is missing; what is told may not be used")
		case !slices.Contains(known, text(intent)):
			warn("code-invalid", "intent", "this intent is not one of FHIR R4; what is told may not be used")
		}
	}
	date := func(element string, value []byte) (Date, bool) {
		said := text(value)
		d, err := ParseDate(said, time.UTC)
		switch {
		case kindOf(value) != '"':
			warn("structure", element, "a date is a string")
		case err != nil:
			warn("value", element, "this is not a date that FHIR and the calendar know; the day is taken as unknown")
		case withoutOffset(said):
			warn("value", element, "a time needs an offset from UTC; it is read as the facility's own time")
		}
		return d, err == nil
	}
	each(r.Raw, func(named, value []byte) {
		name := string(named)
		switch {
		case name == "meta":
			if at := member(value, "lastUpdated"); at != nil && parseInstant(text(at)).IsZero() {
				warn("value", "meta.lastUpdated", "this is not an instant; the order of receipt stands in")
			}
		case isDate(name):
			date(name, value)
		case isPeriod(name):
			period := members(value, "start", "end")
			var sides [2]Date
			known := 0
			for i, side := range []string{"start", "end"} {
				if period[side] == nil {
					continue
				}
				if d, ok := date(name+"."+side, period[side]); ok {
					sides[i] = d
					known++
				}
			}
			if known == 2 && sides[1].before(sides[0]) {
				warn("invariant", name, "this period ends before it begins")
			}
		}
	})
	return out
}

// withoutOffset reports a time without the offset that FHIR asks for (http://hl7.org/fhir/R4/datatypes.html#dateTime).
func withoutOffset(s string) bool {
	_, clock, timed := strings.Cut(s, "T")
	return timed && !strings.ContainsAny(clock, "Z+-")
}

// before reports whether d is certainly before e.
func (d Date) before(e Date) bool {
	if d.Last != e.First || d.First != d.Last || e.First != e.Last {
		return d.Last < e.First
	}
	return d.Minute >= 0 && e.Minute >= 0 && d.Minute < e.Minute
}

// isDate knows the elements of the types at our doors that hold a date, dateTime or instant.
func isDate(name string) bool {
	switch name {
	case "birthDate", "deceasedDateTime", "performedDateTime", "onsetDateTime", "abatementDateTime", "recordedDate",
		"recordedOn", "timingDateTime", "manufactureDate", "expirationDate", "authoredOn", "effectiveDateTime",
		"effectiveInstant", "dateAsserted", "whenPrepared", "whenHandedOver", "lastOccurrence", "issued", "started",
		"occurrenceDateTime", "lastModified", "start", "end", "created", "date":
		return true
	}
	return false
}

// isPeriod knows the elements that hold a Period.
func isPeriod(name string) bool {
	switch name {
	case "performedPeriod", "onsetPeriod", "abatementPeriod", "timingPeriod", "effectivePeriod", "occurrencePeriod",
		"executionPeriod", "period":
		return true
	}
	return false
}
