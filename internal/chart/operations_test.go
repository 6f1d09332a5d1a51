package chart

import "testing"

// TestWordsOfAnOperation: what is booked must be an operation; a visit, a department, a wound or an operation of the past is none.
// The texts are invented, in the manner of appointment books.
func TestWordsOfAnOperation(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"Knee arthroplasty":                          true,
		"Total knee replacement":                     true,
		"Replacement of the left hip":                true,
		"Revision of the hip replacement, operation": true,
		"Laparotomy":                                 true,
		"Left colectomy, elective":                   true,
		"Laparoscopic cholecystectomy":               true,
		"Surgery: bowel resection":                   true,
		"Elective surgery":                           true,
		"Surgery":                                    true,
		"Operation":                                  true,
		"Surgical procedure":                         true,
		"Lumbar fusion":                              true,
		"Coronary artery bypass":                     true,
		"Inguinal hernia repair":                     true,
		"Referral for hip replacement":               true,
		"Hip replacement 12 March, stop apixaban":    true,
		"Hip replacement surgery postponed to May":   true,
		"Colectomy after chemotherapy":               true,
		"Pre-op assessment":                          true,
		"Colectomy, check INR the day before":        true,
		"Vascular surgery follow-up":                 false,
		"Post surgery wound check":                   false,
		"Surgical outpatient follow-up":              false,
		"Hormone replacement review":                 false,
		"Potassium replacement protocol":             false,
		"Referral to vascular surgery clinic":        false,
		"Referral to surgery":                        false,
		"Follow-up: hip replacement":                 false,
		"Total knee replacement - 6 week follow up":  false,
		"Physiotherapy after hip replacement":        false,
		"Hip replacement review":                     false,
		"History of laparotomy":                      false,
		"s/p colectomy":                              false,
		"Postoperative visit":                        false,
		"Consultation for colectomy":                 false,
		"X-ray of hip replacement":                   false,
		"Hip replacement cancelled":                  false,
		"No surgery planned":                         false,
		"Surgery not required":                       false,
		"Catheter replacement":                       false,
		"Phlebotomy":                                 false,
		"Image fusion for planning":                  false,
		"":                                           false,
	} {
		if got := saysOperation(text); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

// TestWordsThatAskForARetrieval: the retrieval of a filter is what is asked for, not something beside it.
func TestWordsThatAskForARetrieval(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"IVC filter retrieval":                         true,
		"Removal of IVC filter":                        true,
		"Vena cava filter retrieval":                   true,
		"Referral for IVC filter removal":              true,
		"Request for retrieval of the IVC filter":      true,
		"Please remove IVC filter":                     true,
		"IVC filter retrieval appointment":             true,
		"Appointment: IVC filter retrieval":            true,
		"IVC filter retrieval scheduled":               true,
		"Second attempt at retrieval of IVC filter":    true,
		"PICC line removal, patient has IVC filter":    false,
		"CT abdomen before IVC filter retrieval":       false,
		"Evaluation for IVC filter retrieval declined": false,
		"Referral to discuss IVC filter retrieval":     false,
		"Suture removal; IVC filter in situ":           false,
		"Port removal. Note: has IVC filter":           false,
		"Failed IVC filter retrieval":                  false,
		"Attempted retrieval of IVC filter":            false,
		"IVC filter check after retrieval of a stent":  false,
		"Follow-up after IVC filter retrieval":         false,
		"Insertion of IVC filter":                      false,
		"":                                             false,
	} {
		if got := asksRetrieval(text); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}
