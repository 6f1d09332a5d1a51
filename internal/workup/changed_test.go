package workup

import (
	"bytes"
	"strings"
	"testing"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
)

// second is an everyday case in its second version: asked as routine before, tried since, and overdue.
func second() Case {
	before := overdue()
	before.filter.Overdue = false
	before.assessment.AsOf = "2026-03-02"
	before.referral.Revision, before.referral.Priority, before.referral.DueOn = 1, "routine", filter.NewDay(2026, 3, 30)
	before.assessment.Filters = []assess.Filter{before.filter}
	now := overdue()
	now.filter.Events = append(now.filter.Events, assess.Event{When: exactly("2026-04-20"), What: "attempt", Text: "Retrieval tried, filter stayed in (status stopped)", Evidence: []string{"Procedure/try"}})
	now.filter.Missing = nil
	return Case{now.assessment, now.filter, now.referral, &Since{&assess.Said{Assessment: before.assessment, Referral: before.referral}}}
}

func paperOf(t *testing.T, c Case) string {
	t.Helper()
	doc, err := c.PDF(A4)
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.PDF(A4)
	if err != nil || !bytes.Equal(doc, again) {
		t.Errorf("drawn again it differs (%v)", err)
	}
	noOverlap(t, doc)
	return text(t, doc)
}

func screenOf(t *testing.T, c Case) string {
	t.Helper()
	page, err := c.HTML()
	if err != nil {
		t.Fatal(err)
	}
	return unmarked(string(page))
}

// TestChangesStandOnTop: before anything else that is said of the filter, on paper and on a screen; in full under the quality of
// the data.
func TestChangesStandOnTop(t *testing.T) {
	t.Parallel()
	c := second()
	for name, got := range map[string]string{"paper": paperOf(t, c), "screen": screenOf(t, c)} {
		at := 0
		for _, want := range []string{
			draftWords, c.Assessment.Person.Name, "Changed since the version of 2026-03-02 (round 1, revision 1)", "Overdue: yes (before: no)",
			"Priority: as soon as possible (before: routine)", "By: 2026-05-18 (before: 2026-03-30)", "History: 2026-04-20: Retrieval tried, filter stayed in (status stopped)",
			"Missing from the record: no longer said: No body weight within 90 days.",
			"Linden C1", "Refer for retrieval", "Data quality", "revision 1), in full", "Priority", "as soon as possible", "routine", "The record disagrees with itself",
		} {
			i := strings.Index(got[at:], squeeze(want))
			if i < 0 {
				t.Fatalf("%s: %q does not follow", name, want)
			}
			at += i + len(squeeze(want))
		}
	}
}

func TestAFirstVersionTellsOfNoChange(t *testing.T) {
	t.Parallel()
	s := overdue()
	c := Case{Assessment: s.assessment, Filter: s.filter, Referral: s.referral}
	mustNotSay(t, paperOf(t, c), "Changed since", "earlier version")
	mustNotSay(t, screenOf(t, c), "Changed since", "earlier version")
}

// TestALostVersionIsOwnedUp: where the earlier version is not known, the document says so and lists nothing.
func TestALostVersionIsOwnedUp(t *testing.T) {
	t.Parallel()
	c := second()
	c.Since = &Since{}
	for _, got := range []string{paperOf(t, c), screenOf(t, c)} {
		mustSay(t, got, "This replaces an earlier version", "What changed since then cannot be told")
		mustNotSay(t, got, "Changed since", "before:")
	}
	c = second()
	c.Since.Said.Assessment, c.Since.Said.Referral = c.Assessment, c.Referral
	c.Since.Said.Assessment.Filters = []assess.Filter{c.Filter}
	for _, got := range []string{paperOf(t, c), screenOf(t, c)} {
		mustSay(t, got, "Nothing that is said here: the request was put by for a time, and is made again.")
	}
}

// TestManyChanges: six stand on top, with the number of the others; all of them in full.
func TestManyChanges(t *testing.T) {
	t.Parallel()
	c := second()
	s := crowded()
	c.Filter.Findings, c.Filter.Contradictions = s.filter.Findings, s.filter.Contradictions
	lines := newChanged(c).Lines
	if len(lines) < 20 {
		t.Fatalf("%d changes", len(lines))
	}
	for _, got := range []string{paperOf(t, c), screenOf(t, c)} {
		mustSay(t, got, "more, and how each was before: see Data quality.")
		for _, l := range lines {
			mustSay(t, got, l.What, l.Now, l.Before)
		}
	}
}

// TestEveryChangeHasWords: no code of a change reaches the reader.
func TestEveryChangeHasWords(t *testing.T) {
	t.Parallel()
	for _, about := range []string{
		"verdict", "emergency", "overdue", "reassessmentOverdue", "standing", "removed", "placed", "placedFor", "window", "indication", "anticoagulation", "agent", "since", "asked",
		"plannedIntent", "model", "design", "intent", "identifiedBy", "headline", "approved", "round", "to", "priority", "dueOn", "basedOn", "event", "complication",
		"contradiction", "finding", "missing", "plan", "approach", "complex", "predictor", "acuteUntil", "anticoagulantLine", "hold", "route", "study", "imaging",
		"testsNeeded", "others", "test", "contrast", "technique", "approachLine", "approachReason", "acuteLine", "holdCondition", "unsettled", "red", "testsLine", "testLimits", "bleedingRisk", "kit", "agents", "otherNames", "numbers", "note", "ask", "afterwards", "patient", "name", "birthDate", "sex", "deceased", "context", "details",
	} {
		got := changeWords(assess.Change{About: about, Old: "x", New: "y"})
		if got.What == "" || got.What == about || strings.ToUpper(got.What[:1]) != got.What[:1] {
			t.Errorf("%s is called %q", about, got.What)
		}
	}
}

// TestPartsAreThePage: what a page of somebody else embeds says what the page says, and holds no document of its own.
func TestPartsAreThePage(t *testing.T) {
	t.Parallel()
	c := second()
	c.Filter.Plan = &plan.Plan{Approach: plan.Approach{First: "advanced"}, Notes: []plan.Statement{{Text: "Note one."}}}
	p, err := c.Parts()
	if err != nil {
		t.Fatal(err)
	}
	all := string(p.Answer + p.Rests + p.Timeline + p.Plan + p.Quality + p.Appendix)
	mustSay(t, unmarked(all), c.Assessment.Person.Name, "Changed since the version", "Note one.", "Data quality", "Appendix", "Time line, to scale")
	for _, bad := range []string{"<html", "<body", "<main", "<style", "<script"} {
		if strings.Contains(all, bad) {
			t.Errorf("the parts hold %s", bad)
		}
	}
	if !strings.Contains(string(p.Timeline), "<svg ") || !strings.Contains(string(p.Style), ".workup .timeline") {
		t.Error("no figure, or no style for it")
	}
	page, err := c.HTML()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), string(p.Style)) || !strings.Contains(string(page), string(p.Quality)) {
		t.Error("the page is not made of the parts")
	}
	c.Referral, c.Filter.Plan = draft.Referral{}, nil
	if p, err := c.Parts(); err != nil || p.Plan != "" {
		t.Errorf("a plan without one: %q (%v)", p.Plan, err)
	}
}
