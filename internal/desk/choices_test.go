package desk_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/desk"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/fault"
)

// refs gives the names of what can be chosen.
func refs(list []desk.Choice) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.Ref)
	}
	return out
}

// TestOnlyWhatThePageOffersIsChosen: a form names no entry but those that its page offers for it, whatever else the record holds of the
// patient or of others.
func TestOnlyWhatThePageOffersIsChosen(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.told(append(patient("hurt", "2025-10-01"), condition("moved", "hurt", "T82.525A"), condition("cough", "hurt", "R05.9"),
		`{"resourceType":"MedicationRequest","id":"statin","status":"active","intent":"order","medicationCodeableConcept":{"text":"Simvastatin"},"subject":{"reference":"Patient/hurt"},"authoredOn":"2026-02-01"}`)...)
	c.told(append(patient("other", "2025-11-01"), condition("theirs", "other", "T82.525A"))...)
	page := c.page("2025-10-01")
	may := c.view(page).May
	if got := refs(may.Complications); !slices.Equal(got, []string{"Condition/moved"}) {
		t.Fatalf("complications: %v", got)
	}
	if got := refs(may.Entries); !slices.Equal(got, []string{"Condition/moved", "Procedure/hurt-in0"}) {
		t.Fatalf("entries: %v", got)
	}
	for _, ref := range []string{"", "Condition/cough", "Condition/theirs", "Condition/none", "Procedure/other-in0", "Patient/hurt", "MedicationRequest/statin"} {
		wantRefused(t, "dealt with "+ref, c.DealtWith(t.Context(), c.form(page, "Taken out"), ref, "2026-02-25"), "Choose the complication.")
		for what, words := range map[string]string{desk.FactWrong: "Choose the entry that does not hold.", desk.FactStopped: "Choose the anticoagulant."} {
			wantRefused(t, what+" "+ref, c.Correct(t.Context(), c.form(page, "Seen"), desk.Fact{What: what, Entry: ref, Day: "2026-02-25"}), words)
		}
	}
	wantRefused(t, "a placement is no complication", c.DealtWith(t.Context(), c.form(page, "Taken out"), "Procedure/hurt-in0", "2026-02-25"), "Choose the complication.")
	wantRefused(t, "a model of no catalogue", c.Correct(t.Context(), c.form(page, "Seen"), desk.Fact{What: desk.FactModel, Model: "Linden"}), "Choose a model")
	wantRefused(t, "no fact", c.Correct(t.Context(), c.form(page, "Seen"), desk.Fact{What: "else"}), "Choose what is to be corrected.")
	c.wantActs("after refusals", 0)
	if err := c.DealtWith(t.Context(), c.form(page, "Taken out"), "Condition/moved", "2026-02-25"); err != nil {
		t.Errorf("what the page offers: %v", err)
	}
	c.wantActs("after what the page offers", 1)
}

// TestAnEntryIsTakenBackOnce: what was taken back is not taken back again, nor is the taking back, nor what is of another filter.
func TestAnEntryIsTakenBackOnce(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.told(patient("two", "2025-03-04", "2025-10-01")...)
	page, other := c.page("2025-03-04"), c.page("2025-10-01")
	first := c.form(page, "")
	if err := c.Contact(t.Context(), first, "telephone", false); err != nil {
		t.Fatal(err)
	}
	wantRefused(t, "on the page of another filter", c.TakeBack(t.Context(), c.form(other, "Mistyped"), first.Token), "There is no such entry.")
	wantRefused(t, "without a reason", c.TakeBack(t.Context(), c.form(page, " "), first.Token), "Give the reason.")
	back := c.form(page, "Mistyped")
	if err := c.TakeBack(t.Context(), back, first.Token); err != nil {
		t.Fatal(err)
	}
	wantRefused(t, "a second time", c.TakeBack(t.Context(), c.form(page, "Mistyped"), first.Token), "It was taken back before.")
	wantRefused(t, "the taking back", c.TakeBack(t.Context(), c.form(page, "Mistyped"), back.Token), "There is no such entry.")
	c.wantActs("in the end", 2)
}

// TestAnEntryMovesThePage: whatever somebody enters about the patient, also of another filter, a form that was made before it does nothing.
func TestAnEntryMovesThePage(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.told(patient("two", "2025-03-04", "2025-10-01")...)
	page, other := c.page("2025-03-04"), c.page("2025-10-01")
	deeds := map[string]func(desk.Form) error{
		"outcome":      func(f desk.Form) error { return c.Outcome(t.Context(), f, "failed", "2026-02-20") },
		"reassessment": func(f desk.Form) error { return c.Reassess(t.Context(), f, "no-longer-needed", "") },
		"correction": func(f desk.Form) error {
			return c.Correct(t.Context(), f, desk.Fact{What: desk.FactPlacementDay, Day: "2025-03"})
		},
		"no filter": func(f desk.Form) error { return c.Correct(t.Context(), f, desk.Fact{What: desk.FactNoFilter}) },
	}
	forms := map[string]desk.Form{}
	for name := range deeds {
		forms[name] = c.form(page, "Seen")
	}
	if err := c.Outcome(t.Context(), c.form(other, "The patient has a cold"), entry.NotAttempted, "2026-02-20"); err != nil {
		t.Fatal(err)
	}
	for name, do := range deeds {
		var moved *desk.Moved
		if err := do(forms[name]); !errors.As(err, &moved) || !errors.Is(err, fault.Superseded) {
			t.Errorf("%s: %v, want Moved", name, err)
		}
	}
	c.wantActs("of stale forms", 1)
}

// TestTextThatCannotBeKept: a control character in a note is named as what it is; letters of any script, tabs and ends of lines are kept.
func TestTextThatCannotBeKept(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.told(patient("noted", "2025-10-01")...)
	page := c.page("2025-10-01")
	for _, bad := range []string{"a\x00b", "a\x01b", "a\x1bb", "a\xffb"} {
		for name, do := range map[string]func(desk.Form) error{
			"contact":      func(f desk.Form) error { return c.Contact(t.Context(), f, "letter", true) },
			"reassessment": func(f desk.Form) error { return c.Reassess(t.Context(), f, "no-longer-needed", "") },
			"decline":      func(f desk.Form) error { return c.Decide(t.Context(), f, "decline", c.Today().Add(9)) },
		} {
			wantRefused(t, name, do(c.form(page, bad)), "characters that cannot be kept")
		}
	}
	c.wantActs("of bad texts", 0)
	const kept = "Zeile eins\r\n\tžluťoučký 心 🙂"
	if err := c.Contact(t.Context(), c.form(page, kept), "letter", true); err != nil {
		t.Fatal(err)
	}
	if got := c.view(page).Done[0].Why; strings.ReplaceAll(got, "\r\n", "\n") != strings.ReplaceAll(kept, "\r\n", "\n") {
		t.Errorf("kept %q", got)
	}
}
