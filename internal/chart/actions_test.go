package chart

import "testing"

// TestWordsOfAnAct: words beside the filter's name tell what was done; words that only speak of an act do not. The texts are
// invented, in the manner of procedure lists.
func TestWordsOfAnAct(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]action{
		"IVC filter removal":                                           retrieved,
		"Removal of IVC filter":                                        retrieved,
		"Retrieval of an embedded retrievable IVC filter":              retrieved,
		"Percutaneous retrieval of inferior vena cava filter":          retrieved,
		"IVC filter was successfully removed":                          retrieved,
		"IVC filter retrieval, complex, with sheath":                   retrieved,
		"IVC filter removal after six weeks of treatment":              retrieved,
		"Insertion of vena cava filter":                                placed,
		"IVC filter placement":                                         placed,
		"Placement of temporary IVC filter":                            placed,
		"Repositioning of IVC filter":                                  repositioned,
		"Insertion of a second IVC filter":                             placed,
		"IVC filter placement via the left femoral vein":               placed,
		"IVC filter placement under ultrasound guidance":               placed,
		"Ultrasound guided IVC filter placement":                       placed,
		"Cavography and IVC filter placement":                          placed,
		"IVC filter placement in a patient with a history of bleeding": placed,
		"Postoperative IVC filter placement":                           placed,
		"Insertion of inferior vena cava (IVC) filter":                 placed,
		"Insertion of new prophylactic IVC filter":                     placed,
		"IVC filter placed":                                            placed,
		"IVC filters insertion":                                        placed,
		"Thrombus removal IVC filter":                                  noAction,
		"Dialysis catheter removal / IVC filter":                       noAction,
		"IVC filter catheter removal":                                  noAction,
		"IVC filter insertion site check":                              noAction,
		"Drainage of haematoma at IVC filter insertion site":           noAction,
		"IVC filter was implanted elsewhere":                           noAction,
		"IVC filter implant card issued":                               noAction,
		"Pacemaker implant, IVC filter":                                noAction,
		"X-ray abdomen implanted IVC filter":                           noAction,
		"IVC filter retrieval appointment":                             noAction,
		"History of IVC filter placement":                              noAction,
		"Status post IVC filter placement":                             noAction,
		"CT guided IVC filter insertion":                               placed,
		"Insertion of filter into the inferior vena cava":              placed,
		"Removal of fractured IVC filter":                              retrieved,
		"Removal of old IVC filter and placement of another":           retrieved,
		"Post IVC filter removal check":                                noAction,
		"Failed IVC filter retrieval":                                  retrievalFailed,
		"Attempted IVC filter removal":                                 retrievalFailed,
		"IVC filter removal aborted":                                   retrievalFailed,
		"IVC filter insertion aborted":                                 placementFailed,
		"Evaluation for IVC filter removal":                            noAction,
		"IVC filter removal consultation":                              noAction,
		"Removal of central line; IVC filter left in place":            noAction,
		"Removal of central line with IVC filter":                      noAction,
		"Laparotomy, removal of spleen, IVC filter in situ":            noAction,
		"Venogram before IVC filter removal":                           noAction,
		"Cavogram prior to IVC filter retrieval":                       noAction,
		"Consultation for possible IVC filter placement":               noAction,
		"Ultrasound after IVC filter placement":                        noAction,
		"Anaesthesia for IVC filter retrieval":                         noAction,
		"No IVC filter removal performed":                              noAction,
		"IVC filter removal not performed":                             noAction,
		"Insertion of central line in a patient with an IVC filter":    noAction,
		"Filter, vena cava, removal":                                   retrieved,
		"Port placement":                                               noAction,
		"":                                                             noAction,
	} {
		if got := saysAction(text); got != want {
			t.Errorf("%q: %d, want %d", text, got, want)
		}
	}
}

func TestWordsOfAPart(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"Filter removed in toto. Patient had partial thromboplastin time checked.": false,
		"Partial removal of the filter.":                                           true,
		"The filter was partially retrieved.":                                      true,
		"One strut was left behind.":                                               true,
		"A fragment in the caval wall.":                                            true,
		"The right leg remains swollen.":                                           false,
		"Access by the leg, left side.":                                            false,
		"One leg was left behind in the wall.":                                     true,
		"A retained filter leg.":                                                   true,
		"No retained fragment.":                                                    false,
		"Sheath retained in the jugular vein for an hour.":                         false,
	} {
		if got := saysPartial(text); got != want {
			t.Errorf("%q: %t, want %t", text, got, want)
		}
	}
}

func TestWordsOfADecisionToStay(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"Permanent filter.": true,
		"The filter is permanent by decision of the team.":      true,
		"The filter will not be removed.":                       true,
		"Permanent filter not available, retrievable one used.": false,
		"Not a permanent filter.":                               false,
		"Permanent filter was unavailable.":                     false,
	} {
		if got := saysPermanent(text); got != want {
			t.Errorf("%q: %t, want %t", text, got, want)
		}
	}
}
