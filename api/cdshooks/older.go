package cdshooks

import (
	"bytes"
	"encoding/json"
	"slices"

	"dwellwatch/fhir"
)

// What clients built after the examples of CDS Hooks 1.0 send is read too, only here: a Bundle that does not say its type, one object
// where FHIR has a list, and slots as a plain list of Appointments.

// listed wraps resources that stand in a plain list into a Bundle.
func listed(raw json.RawMessage) json.RawMessage {
	var resources []json.RawMessage
	if raw[0] != '[' || json.Unmarshal(raw, &resources) != nil {
		return raw
	}
	entries := make([]map[string]json.RawMessage, len(resources))
	for i, r := range resources {
		entries[i] = map[string]json.RawMessage{"resource": r}
	}
	out, err := json.Marshal(map[string]any{"resourceType": "Bundle", "type": "collection", "entry": entries})
	if err != nil {
		return raw
	}
	return out
}

// loosely reads a resource, and the entries of a Bundle, as loosely as it can be: first as it is, and only where that finds a fault
// in the shape that it should have had. What is at fault then too is told of as it came.
func loosely(raw []byte) (fhir.Resource, fhir.Bundle, error) {
	r, b, err := readLoose(raw)
	if sound(b, err) {
		return r, b, nil
	}
	mended, ok := reshaped(raw)
	if !ok {
		return r, b, err
	}
	if r2, b2, err2 := readLoose(mended); err2 == nil && (err != nil || faults(b2) < faults(b)) {
		return r2, b2, nil
	}
	return r, b, err
}

func readLoose(raw []byte) (fhir.Resource, fhir.Bundle, error) {
	r, err := fhir.DecodeLoose(raw)
	if err != nil || r.Type != "Bundle" {
		return r, fhir.Bundle{}, err
	}
	b, err := fhir.DecodeLooseBundle(r)
	return r, b, err
}

func sound(b fhir.Bundle, err error) bool { return err == nil && faults(b) == 0 }

func faults(b fhir.Bundle) int {
	n := 0
	for _, e := range b.Entries {
		if e.Fault != nil {
			n++
		}
	}
	return n
}

// reshaped gives a document with a type in each Bundle and lists where FHIR has lists; false where it cannot be read at all.
func reshaped(raw []byte) ([]byte, bool) {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber() // what is written of a number is kept
	var document any
	if d.Decode(&document) != nil {
		return nil, false
	}
	out, err := json.Marshal(reshape(document, ""))
	return out, err == nil
}

func reshape(v any, kind string) any {
	switch v := v.(type) {
	case []any:
		for i := range v {
			v[i] = reshape(v[i], kind)
		}
	case map[string]any:
		if own, ok := v["resourceType"].(string); ok {
			kind = own
			if _, says := v["type"]; kind == "Bundle" && !says {
				v["type"] = "collection"
			}
		}
		for name, member := range v {
			if _, one := member.(map[string]any); one && isList(kind, name) {
				member = []any{member}
			}
			v[name] = reshape(member, kind)
		}
	}
	return v
}

// isList reports an element that is a list wherever it stands in what is read of a type. http://hl7.org/fhir/R4/resourcelist.html
func isList(kind, name string) bool {
	if name == "category" {
		return kind != "Procedure"
	}
	return slices.Contains([]string{"entry", "identifier", "coding", "dosageInstruction", "doseAndRate", "reasonCode", "reasonReference", "note", "basedOn",
		"serviceType", "specialty", "participant", "udiCarrier", "deviceName", "focalDevice", "usedReference", "usedCode"}, name)
}
