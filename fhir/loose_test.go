package fhir

import (
	"errors"
	"testing"
)

// TestLooseDaysAndStatuses: what is only assessed may have a status or a day of another JSON kind, or a day given in two ways; at a
// door each is a fault. All else stays a fault in both.
func TestLooseDaysAndStatuses(t *testing.T) {
	t.Parallel()
	for body, loose := range map[string]bool{
		`{"resourceType":"Device","status":["active"]}`:                                                true,
		`{"resourceType":"Device","status":null}`:                                                      true,
		`{"resourceType":"Procedure","performedDateTime":null}`:                                        true,
		`{"resourceType":"Procedure","performedDateTime":20251001}`:                                    true,
		`{"resourceType":"Procedure","performedDateTime":{"start":"2024"}}`:                            true,
		`{"resourceType":"Procedure","performedPeriod":"2024"}`:                                        true,
		`{"resourceType":"Procedure","performedPeriod":{"end":2024}}`:                                  true,
		`{"resourceType":"Procedure","performedAge":"60"}`:                                             true,
		`{"resourceType":"Procedure","performedDateTime":"2024","performedPeriod":{"start":"2024"}}`:   true,
		`{"resourceType":"Condition","onsetDateTime":"2024","onsetString":"may"}`:                      true,
		`{"resourceType":"Condition","abatementDateTime":"2024","abatementString":"may"}`:              true,
		`{"resourceType":"Patient","deceasedDateTime":null}`:                                           true,
		`{"resourceType":"Appointment","start":7}`:                                                     true,
		`{"resourceType":"Patient","deceasedBoolean":true,"deceasedDateTime":"2024"}`:                  false,
		`{"resourceType":"Procedure","status":"completed","status":"stopped"}`:                         false,
		`{"resourceType":"Procedure","performedDateTime":"2024","performedDateTime":"2025"}`:           false,
		`{"resourceType":"Procedure","contained":[{"resourceType":"Device","status":["active"]}]}`:     false,
		`{"resourceType":"Procedure","code":"37191"}`:                                                  false,
		`{"resourceType":"Procedure","statusReason":"x"}`:                                              false,
		`{"resourceType":"MedicationRequest","medicationReference":{},"medicationCodeableConcept":{}}`: false,
		`{"resourceType":"Observation","valueString":"a","valueQuantity":{"value":1}}`:                 false,
		`{"resourceType":"Procedure","id":null,"status":1}`:                                            false,
	} {
		if _, err := DecodeLoose([]byte(body)); (err == nil) != loose {
			t.Errorf("%s: %v, want taken %v", body, err, loose)
		}
		var invalid *Invalid
		if _, err := Decode([]byte(body)); !errors.As(err, &invalid) {
			t.Errorf("%s: a door takes it", body)
		}
		bundle := []byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":` + body + `}]}`)
		r, err := Decode(bundle)
		if err != nil {
			t.Fatal(err)
		}
		strict, _ := DecodeBundle(r)
		b, err := DecodeLooseBundle(r)
		if err != nil || (b.Entries[0].Fault == nil) != loose || strict.Entries[0].Fault == nil {
			t.Errorf("%s in a Bundle: %v, loose %v, strict %v", body, err, b.Entries[0].Fault, strict.Entries[0].Fault)
		}
	}
}
