package workup

import (
	"strconv"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
)

// view is the document in words, in the order in which it is read, before any layout.
type view struct {
	telephone      string   // "" where nothing presses
	changed        *changed // nil in a first version
	name, who      string
	facts          []fact
	verdict        string
	tags           []string
	headline       string
	asks           []fact
	contradictions []item
	state          []fact
	findings       []item
	missing        []string
	plan           *checklist // nil where the verdict has none
	events         []item
	beside         []item // what the time line shows beside them
	unread         []item
	cautions       []string
	asOf           string
	footLine       string
}

// fact is a label, what stands for it, and small print.
type fact struct{ Label, Value, Detail string }

// item is one line of a list or table.
type item struct {
	When, What string
	Text       string
	Entries    string
	Source     string
	Firm       bool // it happened, or it decides
}

func newView(c Case, name string) view {
	a, f, r := c.Assessment, c.Filter, c.Referral
	v := view{
		changed:   newChanged(c),
		telephone: telephone(f, r),
		name:      orElse(name, "name not recorded"),
		who:       who(a),
		facts:     filterFacts(a, f),
		verdict:   verdictWords(f.Verdict),
		headline:  f.Headline,
		asks:      asks(f, r),
		state:     state(a, f),
		cautions:  cautions(a),
		asOf:      a.AsOf,
		footLine:  footLine(a, f, r),
		plan:      checklistOf(f.Plan),
	}
	if f.Overdue {
		v.tags = append(v.tags, "OVERDUE")
	}
	if f.ReassessmentOverdue {
		v.tags = append(v.tags, "REASSESSMENT OVERDUE")
	}
	for _, c := range f.Contradictions {
		v.contradictions = append(v.contradictions, item{
			Text: orElse(c.Text, c.Kind), Entries: entriesWords(c.Evidence), Firm: c.Decides,
		})
	}
	for _, d := range f.Findings {
		v.findings = append(v.findings, item{
			Text: findingWords(d), Entries: entriesWords(d.Evidence),
			Source: sourceWords(d),
		})
	}
	for _, m := range f.Missing {
		v.missing = append(v.missing, orElse(m.Text, m.What))
	}
	for _, e := range f.Events {
		v.events = append(v.events, item{
			When: rangeWords(&e.When), What: eventWords(e.What), Text: e.Text, Entries: entriesWords(e.Evidence),
			Firm: e.What != "hint" && e.What != "claim" && e.What != "removal-claim",
		})
	}
	v.beside = besideHistory(f)
	for _, u := range a.Unread {
		v.unread = append(v.unread, item{Text: u.Reason, Entries: strings.TrimSpace(u.Resource + " " + u.Path)})
	}
	return v
}

// telephone gives the words that send the reader to the telephone, where the case presses.
func telephone(f assess.Filter, r draft.Referral) string {
	pressing := r.Reason == draft.Wanted && (r.Priority == "urgent" || r.Priority == "stat")
	if !pressing && f.Verdict != "urgent" && !f.Emergency {
		return ""
	}
	return "TELEPHONE NOW – this is not an emergency channel"
}

func who(a assess.Assessment) string {
	born := "birth date not recorded"
	if a.Person.BirthDate != "" {
		born = "born " + a.Person.BirthDate
	}
	sex := "sex not recorded"
	if a.Person.Sex != "" {
		sex = "sex: " + a.Person.Sex
	}
	if len(a.Person.Numbers) > 0 {
		born += " · hospital number " + strings.Join(a.Person.Numbers, ", ")
	}
	text := born + " · " + sex + " · " + orElse(a.Patient, "no patient reference")
	if a.Person.Deceased {
		text += " · RECORDED AS DECEASED"
	}
	return text
}

// filterFacts answers which filter, whether it is in, since when and for how long.
func filterFacts(a assess.Assessment, f assess.Filter) []fact {
	model := fact{"Filter", "Model not known", designWords(f.Model)}
	if f.Model.Name != "" {
		model = fact{"Filter", f.Model.Name, designWords(f.Model) + "; " + identifiedWords(f.Model)}
	}
	standing := fact{Label: "Standing", Value: standingWords(f.Standing)}
	switch {
	case f.Removed != nil:
		standing.Detail = "removal: " + rangeWords(f.Removed)
	case f.Standing == "unclear":
		standing.Detail = "the record does not settle whether a filter is in"
	}
	days := fact{"Days in", capital(daysWords(f.DwellDays)), "as of " + a.AsOf}
	if f.Standing == "removed" {
		days.Detail = "up to the removal"
	}
	since := fact{Label: "In since", Value: capital(rangeWords(f.Placed))}
	if f.Standing == "removed" || f.Standing == "unclear" {
		since.Label = "Placed"
	}
	if f.Placed != nil && deref(f.Placed.Earliest) != deref(f.Placed.Latest) {
		since.Detail = "the exact day is not known"
	}
	return []fact{model, standing, since, days}
}

// asks says what is asked of whom and by when, or why nothing is.
func asks(f assess.Filter, r draft.Referral) []fact {
	if r.Reason != draft.Wanted {
		return []fact{{"Asked", "Nothing is asked", capital(reasonWords(r.Reason))}}
	}
	if r.Round == 0 {
		return []fact{{"Asked", "Nothing has been asked yet", ""}}
	}
	list := []fact{
		{"Asked of", addresseeWords(r.To), askWords(f.Verdict)},
		{"By", dueWords(r.DueOn), "priority: " + priorityWords(r.Priority)},
	}
	if len(r.BasedOn) > 0 {
		list[1].Detail += "; based on " + strings.Join(r.BasedOn, ", ")
	}
	return list
}

// state is what the verdict rests on.
func state(a assess.Assessment, f assess.Filter) []fact {
	list := []fact{
		{"Placed for", orElse(f.PlacedFor, "Not on record") + ".", ""},
		{"Reason over?", indicationWords(f.Indication), ""},
		{"Anticoagulation", anticoagulationWords(f.Anticoagulation), ""},
		{"Window", windowWords(f.Window, a.Policy), windowCaveat},
		{"Plan", planWords(f.PlannedIntent), ""},
	}
	if f.Others > 0 {
		list = append(list, fact{"Other filters", capital(count(f.Others, "other filter")) + " of this patient " + map[bool]string{true: "is", false: "are"}[f.Others == 1] + " or may be in. This document is about the one above only.", ""})
	}
	if f.Asked != "" && f.Asked != "none" {
		list = append(list, fact{"Already asked", askedWords(f.Asked) + " Record entries: " + entriesWords(f.AskedEvidence) + ".", ""})
	}
	var again []string
	if d := deref(f.LookAgainOn); d != "" {
		again = append(again, "Look again on "+d+".")
	}
	if d := deref(f.ChangesOn); d != "" {
		again = append(again, "Without new data, this answer changes on "+d+".")
	}
	if len(again) > 0 {
		list = append(list, fact{"Next", strings.Join(again, " "), ""})
	}
	return append(list, fact{"How sure", sureWords(a, f), ""})
}

// sureWords counts what the answer can be doubted by.
func sureWords(a assess.Assessment, f assess.Filter) string {
	placed := "day of placement not known"
	if f.Placed != nil {
		placed = "day of placement known in part"
		if f.Placed.Earliest != nil && deref(f.Placed.Earliest) == deref(f.Placed.Latest) {
			placed = "day of placement known"
		}
	}
	decide := 0
	for _, c := range f.Contradictions {
		if c.Decides {
			decide++
		}
	}
	doubts := "the record does not contradict itself"
	if n := len(f.Contradictions); n > 0 {
		doubts = count(n, "contradiction") + " in the record, " + strconv.Itoa(decide) + " of which decide the verdict"
		switch decide {
		case 0:
			doubts = count(n, "contradiction") + " in the record, not deciding the verdict"
		case n:
			doubts = count(n, "contradiction") + " in the record, deciding the verdict"
		}
	}
	missing, unread := "nothing missing that the rules look for", "everything looked at could be read"
	if n := len(f.Missing); n > 0 {
		missing = count(n, "item") + " missing"
	}
	if n := len(a.Unread); n > 0 {
		unread = count(n, "element") + " could not be read"
	}
	return capital(placed) + "; device " + identifiedWords(f.Model) + "; " + doubts + "; " + missing + "; " + unread + "; " + contextWords(a.Context) + "."
}

func cautions(a assess.Assessment) []string {
	list := []string{
		"This is a draft for clinician review. Local protocol and licensed practice prevail over everything on it.",
		"It is not an emergency channel: telephone whatever cannot wait.",
		"The coded record may be incomplete: “no filter in the coded data” is never “no filter”.",
		"Prescribed is not taken: anticoagulation is what the record says was prescribed.",
		"Made from policy " + orElse(a.Policy, "(not named)") + "; " + contextWords(a.Context) + ".",
	}
	if a.Note != "" {
		list = append(list, a.Note)
	}
	return list
}

func footLine(a assess.Assessment, f assess.Filter, r draft.Referral) string {
	parts := []string{"As of " + a.AsOf, "policy " + orElse(a.Policy, "(not named)"), "filter " + orElse(short(f.Key), "without key")}
	if r.Round > 0 {
		parts = append(parts, "round "+strconv.Itoa(r.Round)+", revision "+strconv.Itoa(r.Revision))
	}
	return strings.Join(parts, " · ")
}

// short gives the first part of a key, enough to tell two filters of a patient apart.
func short(key string) string {
	head, _, _ := strings.Cut(key, "-")
	return head
}

func orElse(text, other string) string {
	if strings.TrimSpace(text) == "" {
		return other
	}
	return text
}
