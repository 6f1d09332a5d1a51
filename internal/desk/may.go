package desk

import (
	"slices"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
)

// May says what can be done about a filter as it stands.
type May struct {
	Approve, PutOff       bool
	Enter                 bool // contacts, outcomes, re-assessments, corrections
	LongestDays           int  // of a decline or snooze
	Complications         []Choice
	Orders                []Choice // of anticoagulants, that can be said to have been stopped
	Entries               []Choice // that can be said not to hold
	Models                []string // of the catalogue
	NoFilter              bool
	ApproveNot, PutOffNot string // why not; "" where it can be done
}

// Choice is one entry to choose. Decides says that a clinician alone may call it wrong: a complication or an anticoagulant stands on it.
type Choice struct {
	Ref, Text string
	Decides   bool
}

func (d Desk) may(v View) May {
	l, r, f := v.Line, v.Referral, v.Filter
	m := May{Enter: l.Listed && f.Verdict != "closed", LongestDays: draft.LongestDays}
	if f.PlannedIntent == "permanent" {
		m.LongestDays = draft.LongestPermanentDays
	}
	open := r.Round > 0 && r.Reason == draft.Wanted && r.EndedOn == 0 && l.Listed
	moved := draft.StateOf(l.TaskStatus) == draft.TaskMovedOn
	switch {
	case !open:
		m.ApproveNot, m.PutOffNot = "Nothing is asked at present.", "Nothing is asked at present."
	default:
		switch {
		case r.To != draft.ToClinic:
			m.ApproveNot = "The coordinator is asked whether a filter is in; that is answered, not approved."
		case r.Approved:
			m.ApproveNot = "Approved by " + r.ApprovedBy + "."
		case moved:
			m.ApproveNot = "The clinic has taken the Task up in the record; it needs no order."
		default:
			m.Approve = true
		}
		switch {
		case draft.Urgency(r.Priority) >= draft.Urgency("urgent"):
			m.PutOffNot = "An urgent referral is not put off."
		case moved:
			m.PutOffNot = "The clinic has taken the Task up in the record; put it off there."
		default:
			m.PutOff = true
		}
	}
	if !m.Enter {
		return m
	}
	m.NoFilter = true
	for _, e := range v.Entries {
		text := strings.TrimSpace(e.What + " " + e.Day)
		if e.Feed != "" && e.Feed != "local" && e.kind != "Patient" && e.kind != "Task" {
			m.Entries = append(m.Entries, Choice{e.Ref, strings.TrimSpace(e.kind + ": " + text), v.decides(e)})
		}
		if (e.kind == "MedicationRequest" || e.kind == "MedicationStatement") && (e.Status == "active" || e.Status == "completed") {
			m.Orders = append(m.Orders, Choice{Ref: e.Ref, Text: text})
		}
	}
	for _, x := range f.Findings {
		if !assess.IsComplication(x.Rule) {
			continue
		}
		for _, ref := range x.Evidence {
			at := slices.IndexFunc(v.Entries, func(e Entry) bool { return e.Ref == ref && e.kind == "Condition" })
			if at < 0 || slices.ContainsFunc(m.Complications, func(c Choice) bool { return c.Ref == ref }) {
				continue
			}
			m.Complications = append(m.Complications, Choice{Ref: ref, Text: x.Text})
		}
	}
	for _, model := range d.Basis.Models.Models {
		m.Models = append(m.Models, model.Name)
	}
	return m
}

// decides reports whether a complication of the filter or an anticoagulant stands on an entry.
func (v View) decides(e Entry) bool {
	return strings.HasPrefix(e.kind, "Medication") || slices.ContainsFunc(v.Filter.Findings, func(x assess.Finding) bool {
		return assess.IsComplication(x.Rule) && slices.ContainsFunc(x.Evidence, func(ref string) bool {
			ref, _, _ = strings.Cut(ref, "#")
			return ref == e.Ref
		})
	})
}

// permanent reports whether the filter is to stay by the clinicians' decision.
func permanent(v View) bool { return v.Filter.PlannedIntent == "permanent" }
