package cards

import (
	"encoding/json"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
)

// Signing is what orders that are about to be signed do to a chart.
type Signing struct {
	// Before holds orders that are being stopped as they ran until now; they matter only where the chart does not have them.
	Before []fhir.Resource
	// After holds every order as it stands once it is signed. It takes the place of the chart's own copy.
	After []fhir.Resource
	// Ends names entries of the chart that a stopped order ends without being their copy (MedicationRequest.priorPrescription).
	Ends []string
}

// Sign reads draft orders (https://cds-hooks.org/hooks/order-sign/): a draft becomes an order of the day, and one that is
// stopped or cancelled, in whatever letters, was running until now.
func Sign(orders []fhir.Resource, on filter.Day) Signing {
	var s Signing
	for _, r := range orders {
		switch status := strings.ToLower(member(r.Raw, "status")); {
		case r.Type != "MedicationRequest" && r.Type != "ServiceRequest":
			s.After = append(s.After, r)
		case slices.Contains([]string{"stopped", "cancelled", "revoked", "completed", "on-hold"}, status):
			s.Before = append(s.Before, with(r, on, map[string]string{"status": "active"}))
			change := map[string]string{}
			if status != member(r.Raw, "status") {
				change["status"] = status
			}
			s.After = append(s.After, with(r, on, change))
			if ended := prior(r.Raw); ended != "" {
				s.Ends = append(s.Ends, ended)
			}
		case status == "draft" || status == "" || status == "unknown":
			s.After = append(s.After, with(r, on, map[string]string{"status": "active"}))
		default:
			s.After = append(s.After, with(r, on, map[string]string{}))
		}
	}
	return s
}

// Slots gives proposed appointments as they stand once they are booked.
func Slots(appointments []fhir.Resource) []fhir.Resource {
	var out []fhir.Resource
	for _, r := range appointments {
		if r.Type == "Appointment" && slices.Contains([]string{"", "proposed", "pending", "booked", "waitlist"}, member(r.Raw, "status")) {
			out = append(out, set(r, map[string]string{"status": "booked"}))
		}
	}
	return out
}

// Fingerprint writes an order or a slot so that one state of it differs from another, whatever its server says of it as a file (meta) or in words (text).
func Fingerprint(r fhir.Resource) string {
	raw := r.Raw
	var all map[string]any
	if json.Unmarshal(raw, &all) == nil {
		delete(all, "meta")
		delete(all, "text")
		if sorted, err := json.Marshal(all); err == nil {
			raw = sorted
		}
	}
	return r.Ref() + " " + string(raw)
}

// with gives an order of the day with other members.
func with(r fhir.Resource, on filter.Day, change map[string]string) fhir.Resource {
	if member(r.Raw, "authoredOn") == "" {
		change["authoredOn"] = on.String()
	}
	if member(r.Raw, "intent") == "" {
		change["intent"] = "order"
	}
	return set(r, change)
}

// set gives r with members set to texts.
func set(r fhir.Resource, change map[string]string) fhir.Resource {
	var all map[string]json.RawMessage
	if len(change) == 0 || json.Unmarshal(r.Raw, &all) != nil {
		return r
	}
	for name, value := range change {
		quoted, _ := json.Marshal(value) // a string
		all[name] = quoted
		delete(all, "_"+name)
	}
	raw, err := json.Marshal(all)
	if err != nil {
		return r
	}
	r.Raw = raw
	return r
}

// prior gives the order that a MedicationRequest follows, as Type/id; "" where it names none of the same server by a relative reference.
func prior(raw []byte) string {
	var r struct {
		PriorPrescription struct {
			Reference string `json:"reference"`
		} `json:"priorPrescription"`
	}
	if json.Unmarshal(raw, &r) != nil {
		return ""
	}
	return fhir.ParseReference(r.PriorPrescription.Reference).Local("")
}

// member reads a text of a resource; "" where it is none.
func member(raw []byte, name string) string {
	var all map[string]json.RawMessage
	var text string
	if json.Unmarshal(raw, &all) != nil || json.Unmarshal(all[name], &text) != nil {
		return ""
	}
	return text
}
