package workup

import (
	"strings"
	"testing"

	"dwellwatch/internal/assess"
)

// TestEveryAnticoagulantIsNamed: where more than one is prescribed the first page names each with its level.
func TestEveryAnticoagulantIsNamed(t *testing.T) {
	t.Parallel()
	s := overdue()
	s.filter.Anticoagulation.Agents = []assess.Prescribed{{Agent: "apixaban", Level: "therapeutic"}, {Agent: "warfarin", Level: "indeterminate"}}
	mustSay(t, squeeze(run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "-l", "1", "FILE", "-")), "apixaban: therapeutic; warfarin: indeterminate")
}

// TestWhoItIsAbout: every page of the paper, and the screen, name the hospital's number; where the name's script is not printed the first
// other name that can be printed stands there, marked as another one.
func TestWhoItIsAbout(t *testing.T) {
	t.Parallel()
	s := crowded()
	s.assessment.Person = assess.Person{Name: "山田 花子", OtherNames: []string{"やまだ はなこ", "Hanako Yamada"}, Numbers: []string{"MRN-4711"}, BirthDate: "1961-04-05", Sex: "female"}
	text := run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "FILE", "-")
	pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
	if len(pages) < 3 {
		t.Fatalf("%d pages", len(pages))
	}
	for _, page := range pages {
		mustSay(t, squeeze(page), "Hanako Yamada – another name on record", "MRN-4711", "1961-04-05")
	}
	page, err := HTML(s.assessment, s.filter, s.referral)
	if err != nil {
		t.Fatal(err)
	}
	mustSay(t, unmarked(string(page)), "山田 花子", "hospital number MRN-4711")
	s.assessment.Person.OtherNames = nil
	mustSay(t, squeeze(run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "FILE", "-")), unprintableName, "MRN-4711")
}

// TestModelNamedInTheRecordOnly: its name stands there, and that the catalogue does not hold it; it is never said to be identified.
func TestModelNamedInTheRecordOnly(t *testing.T) {
	t.Parallel()
	s := overdue()
	s.filter.Model = assess.Model{Name: "Heron R4", Design: "unknown", Intent: "unknown", By: "none"}
	text := squeeze(run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "FILE", "-"))
	mustSay(t, text, "Heron R4", "named in the record, not in the catalogue")
	if strings.Contains(text, "identified by") || strings.Contains(text, "Model not known") {
		t.Error("a model that no catalogue holds is called identified or not known")
	}
}
