package chart

import "testing"

// TestWhatASlotIsFor: a booked slot is a retrieval, an operation or neither; what it is for counts before what stands beside it, and
// the specialty says only who sees the patient.
func TestWhatASlotIsFor(t *testing.T) {
	t.Parallel()
	const surgical = `{"coding":[{"system":"http://snomed.info/sct","code":"387713003"}]}`
	for rest, want := range map[string]string{
		`"description":"Knee replacement surgery"`:                                                "operation",
		`"serviceType":[{"text":"Surgery"}]`:                                                      "operation",
		`"serviceType":[` + surgical + `]`:                                                        "operation",
		`"reasonCode":[{"text":"Colectomy"}]`:                                                     "operation",
		`"description":"Theatre list","comment":"Hip replacement"`:                                "operation",
		`"description":"Hip replacement","serviceType":[{"text":"Outpatient"}]`:                   "operation",
		`"serviceType":[{"text":"Follow-up visit"}],"specialty":[{"text":"Vascular surgery"}]`:    "",
		`"serviceType":[{"text":"Follow-up visit"}],"reasonCode":[{"text":"Hip replacement"}]`:    "",
		`"serviceType":[{"text":"Vascular surgery"}],"description":"Follow-up"`:                   "",
		`"specialty":[{"text":"Vascular surgery"}]`:                                               "",
		`"description":"Post surgery wound check"`:                                                "",
		`"description":"IVC filter retrieval"`:                                                    "retrieval",
		`"description":"Surgical removal of IVC filter"`:                                          "retrieval",
		`"serviceType":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]}]`: "retrieval",
		`"description":"Port removal. Note: has IVC filter"`:                                      "",
		`"description":"IVC filter","comment":"Stitch removal"`:                                   "",
	} {
		got := readOne(t, `{"resourceType":"Appointment","id":"a","status":"booked","created":"2026-02-20","start":"2026-03-20T10:00:00Z","participant":[{"actor":{"reference":"Patient/p"}}],`+rest+`}`)
		what := ""
		if len(got.Facts.Orders) > 0 {
			what = "retrieval"
		}
		if len(got.Facts.Surgeries) > 0 {
			what += "operation"
		}
		if what != want {
			t.Errorf("%s: %q, want %q", rest, what, want)
		}
	}
}
