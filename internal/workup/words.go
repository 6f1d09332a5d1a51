package workup

import (
	"fmt"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// wording turns a code of the assessment into words. A code it does not know is printed as it is: a reader can ask about
// a strange word but not about a missing one.
func wording(code string, words map[string]string) string {
	if w, ok := words[code]; ok {
		return w
	}
	return code
}

func standingWords(code string) string {
	return wording(code, map[string]string{
		"in-place": "In place", "removed": "Removed", "partly-removed": "Partly removed", "unclear": "Unclear",
		"": "Not stated",
	})
}

func verdictWords(code string) string {
	return wording(code, map[string]string{
		"refer": "Refer for retrieval", "urgent": "Urgent", "review": "Review", "wait": "Wait", "keep": "Keep",
		"clarify": "Clarify", "closed": "Closed", "": "No verdict",
	})
}

// askWords says what the addressee is asked to do.
func askWords(verdict string) string {
	return wording(verdict, map[string]string{
		"refer":   "Decide on retrieval and plan it.",
		"urgent":  "Look at this patient now; telephone first.",
		"review":  "Review whether the filter should stay.",
		"clarify": "Confirm whether a filter is in.",
	})
}

func designWords(m assess.Model) string {
	design := wording(m.Design, map[string]string{
		"conical": "conical", "double-basket": "double basket", "other": "other design",
		"unknown": "design not known", "": "design not known",
	})
	intent := wording(m.Intent, map[string]string{
		"retrievable": "labelled retrievable", "permanent": "labelled permanent",
		"unknown": "labelled use not known", "": "labelled use not known",
	})
	return design + ", " + intent
}

func identifiedWords(m assess.Model) string {
	if m.Name != "" && (m.By == "none" || m.By == "") {
		return "named in the record, not in the catalogue"
	}
	return wording(m.By, map[string]string{
		"udi": "identified by its UDI", "model-number": "identified by model number", "name": "identified by name only",
		"none": "not identified", "": "not identified",
	})
}

func indicationWords(code string) string {
	return wording(code, map[string]string{
		"resolved":        "Resolved: on the record, the reason for the filter has ended.",
		"likely-resolved": "Likely resolved: the record points to an end of the reason for the filter.",
		"still-indicated": "Still indicated: on the record, the reason for the filter stands.",
		"unknown":         "Not known: the record does not tell whether the reason for the filter has ended.",
		"":                "Not known.",
	})
}

func anticoagulationWords(a assess.Anticoagulation) string {
	text := wording(a.Level, map[string]string{
		"therapeutic":   "Therapeutic dose prescribed",
		"reduced":       "Reduced dose prescribed",
		"prophylactic":  "Prophylactic dose prescribed",
		"none":          "None: all anticoagulants on record have ended, or their absence is stated",
		"indeterminate": "Prescribed, but the dose level cannot be told",
		"unknown":       "Not known: no current anticoagulant on record",
		"":              "Not known",
	})
	if len(a.Agents) > 1 {
		var all []string
		for _, x := range a.Agents {
			all = append(all, x.Agent+": "+x.Level)
		}
		text += " (" + strings.Join(all, "; ") + ")"
	} else if a.Agent != nil && *a.Agent != "" {
		text += " (" + *a.Agent + ")"
	}
	if a.Since != nil && *a.Since != "" {
		text += ", unbroken therapeutic cover since " + *a.Since
	}
	return text + "."
}

func windowWords(code, policy string) string {
	text := wording(code, map[string]string{
		"before": "Before the window", "in": "In the window", "past": "Past the window",
		"undetermined": "Undetermined: the possible days span more than one state of the window", "": "Undetermined",
	})
	if policy == "" {
		return text + "."
	}
	return text + ", as policy " + policy + " sets it."
}

// windowCaveat goes with every statement about the window. Source of the figure: United States Food and Drug
// Administration, safety communication of 2014 on removing retrievable vena cava filters, which rests on a decision
// analysis of 2013 in patients without pulmonary embolism whose transient risk had passed.
const windowCaveat = "The known window figure (days 29 to 54, US FDA 2014) comes from patients without pulmonary embolism: " +
	"not by itself a reason to retrieve or to keep a filter, and not an expiry date."

func planWords(code string) string {
	return wording(code, map[string]string{
		"retrieve": "Retrieve (documented).", "permanent": "Leave in permanently (documented).",
		"unknown": "No documented plan on record.", "": "No documented plan on record.",
	})
}

func askedWords(code string) string {
	return wording(code, map[string]string{
		"drafted": "A retrieval has been drafted.", "requested": "A retrieval has been requested.",
		"booked": "A retrieval has been booked.", "declined": "A retrieval request was declined.",
	})
}

func addresseeWords(to draft.Addressee) string {
	return wording(string(to), map[string]string{
		string(draft.ToClinic): "Retrieval clinic", string(draft.ToCoordinator): "Filter coordinator",
		"": "Nobody named",
	})
}

func priorityWords(code string) string {
	return wording(code, map[string]string{
		"asap": "as soon as possible", "stat": "immediately (stat)", "": "not set",
	})
}

// dueWords writes out the day by which something is asked. The zero Day is a day that nobody set.
func dueWords(day filter.Day) string {
	if day == 0 || day <= filter.MinDay || day >= filter.MaxDay {
		return "No day set"
	}
	return day.String()
}

func reasonWords(reason draft.Reason) string {
	return wording(string(reason), map[string]string{
		string(draft.Removed):      "the filter came out.",
		string(draft.Deceased):     "the patient has died.",
		string(draft.Retracted):    "the record took the filter back.",
		string(draft.Merged):       "this is the same filter as another one that is followed.",
		string(draft.Answered):     "the record has answered the question.",
		string(draft.NotDue):       "there is nothing to ask at present.",
		string(draft.AskedAlready): "somebody has requested or booked it already.",
		string(draft.NoContext):    "the rest of the patient's record has not been read yet.",
	})
}

func knownWords(code string) string {
	return wording(code, map[string]string{
		"seen": "source seen", "second-hand": "source quoted second-hand", "memory": "from memory, not checked",
		"choice": "design choice, no source", "practice": "common practice, no source", "": "not stated how known",
	})
}

// sourceWords names a finding's source and how it is known. A source that says itself that it is none is not said twice.
func sourceWords(f assess.Finding) string {
	known := knownWords(f.Known)
	switch {
	case f.Source == "":
		return capital(known)
	case strings.HasSuffix(f.Source, known):
		return f.Source
	}
	return f.Source + " – " + known
}

func eventWords(code string) string {
	return wording(code, map[string]string{
		"placement": "Placement", "removal": "Removal", "attempt": "Retrieval attempt",
		"partial-removal": "Partial removal", "repositioning": "Repositioning", "device": "Device entry",
		"sighting": "Seen in place", "hint": "Hint", "claim": "Claim", "removal-claim": "Claim of a removal", "": "Event",
	})
}

func contextWords(code string) string {
	return wording(code, map[string]string{
		"pulled":     "the rest of the patient's record was fetched",
		"pending":    "the rest of the patient's record has NOT been read yet",
		"feeds-only": "only what the feeds sent was read, not the rest of the patient's record",
		"input":      "only the entries given as input were read",
		"":           "not stated what was read",
	})
}

// rangeWords writes out a range of days.
func rangeWords(r *assess.Range) string {
	if r == nil {
		return "day not known"
	}
	early, late := deref(r.Earliest), deref(r.Latest)
	switch {
	case early == "" && late == "":
		return "day not known"
	case early == "":
		return late + " or earlier"
	case late == "":
		return early + " or later"
	case early == late:
		return early
	}
	return early + " to " + late
}

// daysWords writes out a count of days.
func daysWords(d *assess.Days) string {
	switch {
	case d == nil || d.Min == nil && d.Max == nil:
		return "not known"
	case d.Min == nil:
		return plural(*d.Max) + " or fewer"
	case d.Max == nil:
		return plural(*d.Min) + " or more"
	case *d.Min == *d.Max:
		return plural(*d.Min)
	}
	return fmt.Sprintf("%d to %s", *d.Min, plural(*d.Max))
}

func plural(days int) string {
	if days == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", days)
}

// entriesWords lists record entries.
func entriesWords(refs []string) string {
	if len(refs) == 0 {
		return "none named"
	}
	return strings.Join(refs, ", ")
}

// capital makes the first letter of a text of ours a capital one.
func capital(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// findingWords gives what a finding says, with the values that decided it.
func findingWords(d assess.Finding) string {
	text := orElse(d.Text, d.Rule)
	if d.By != "" {
		text += " Decided by " + d.By + "."
	}
	return text
}
