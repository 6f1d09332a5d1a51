package assess_test

import (
	"fmt"

	"pgregory.net/rapid"
)

// entered draws what people enter at the worklist: a re-assessment, a contact, a retrieval not attempted, an entry that does not
// hold, a placement on another day.
func (g *patientGen) entered() {
	const ours = `{"coding":[{"system":"urn:dwellwatch:entry","code":%q}]}`
	switch rapid.IntRange(0, 4).Draw(g.t, "entry") {
	case 0:
		until := rapid.SampledFrom([]string{"", fmt.Sprintf(`,"extension":[{"url":"urn:dwellwatch:look-again","valueDate":%q}]`, g.day("look again"))}).Draw(g.t, "until")
		finding := rapid.SampledFrom([]string{"still-needed", "no-longer-needed", "stays"}).Draw(g.t, "finding")
		g.add("ClinicalImpression", g.id("word"), fmt.Sprintf(`"status":"completed",%s,"code":`+ours+`,"effectiveDateTime":%q,"finding":[{"itemCodeableConcept":`+ours+`}]%s`,
			subject(), "reassessment", g.day("re-assessed"), finding, until))
	case 1:
		g.add("Communication", g.id("call"), fmt.Sprintf(`"status":"not-done",%s,"category":[`+ours+`],"sent":%q`, subject(), "contact-attempt", g.day("called")))
	case 2:
		g.add("Procedure", g.id("not-tried"), fmt.Sprintf(`"status":"not-done",%s,"code":{"coding":[{"system":"http://snomed.info/sct","code":"233439000"}]},"performedDateTime":%q`, subject(), g.day("not tried")))
	case 3:
		if wrong := g.some(rapid.SampledFrom([]string{"Procedure", "Condition", "Device"}).Draw(g.t, "kind")); wrong != "" {
			id := g.id("wrong")
			g.add("DetectedIssue", id, fmt.Sprintf(`"status":"final","patient":{"reference":"Patient/%s"},"code":`+ours, generatedPatient, "entry-wrong"))
			g.correction("DetectedIssue/"+id, wrong)
		}
	case 4:
		if placed := g.some("Procedure"); placed != "" {
			id := g.id("right")
			g.add("Procedure", id, fmt.Sprintf(`"status":"completed",%s,"code":{"coding":[{"system":"http://snomed.info/sct","code":"397913009"}]},"performedDateTime":%q`, subject(), g.day("right day")))
			g.correction("Procedure/"+id, placed)
		}
	}
}

func (g *patientGen) correction(target, revised string) {
	g.add("Provenance", g.id("by"), fmt.Sprintf(`"target":[{"reference":%q}],"recorded":"2026-02-0%dT09:00:00Z","activity":{"coding":[{"system":"urn:dwellwatch:entry","code":"correction"}]},"agent":[{"who":{"display":"Ada"}}],"entity":[{"role":"revision","what":{"reference":%q}}]`,
		target, rapid.IntRange(1, 9).Draw(g.t, "recorded"), revised))
}
