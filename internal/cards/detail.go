package cards

import (
	"slices"
	"strings"

	"dwellwatch/internal/assess"
)

// shownFindings bounds how many findings a card repeats; the filter's page has them all.
const shownFindings = 6

// shownEvidence bounds how many entries stand beside one of them.
const shownEvidence = 6

// detail writes the card's body in GitHub flavoured Markdown, without HTML.
func (in Input) detail(k Kind, f assess.Filter) string {
	var b strings.Builder
	line := func(parts ...string) {
		b.WriteString(strings.Join(parts, ""))
		b.WriteByte('\n')
	}
	if k == Urgent {
		line("**Telephone now.** A card, a Task or a document may not be read in time; this is not an emergency channel.")
		line()
	}
	line(escaped(f.Headline))
	line()
	for _, s := range in.advice(k, f) {
		line("- ", s)
	}
	for _, s := range facts(f) {
		line("- ", s)
	}
	if told := chosen(k, f); len(told) > 0 {
		line()
		line("| Finding | On record | Source |")
		line("|---|---|---|")
		for _, x := range told {
			line("| ", escaped(x.Text), " | ", evidence(x.Evidence), " | ", escaped(x.Source), known(x), " |")
		}
	}
	if k == Booked {
		line()
		line("Still open for the plan:")
		line()
		for _, g := range gaps(f) {
			line("- ", escaped(g))
		}
	}
	for _, s := range in.limits(f) {
		line()
		line(s)
	}
	line()
	line(caution)
	return strings.TrimRight(b.String(), "\n")
}

// advice says what the moment asks for.
func (in Input) advice(k Kind, f assess.Filter) []string {
	var out []string
	switch k {
	case Urgent:
		out = append(out, "Call the clinic that retrieves filters, or the team on call: they decide on imaging and removal.")
	case Overdue:
		out = append(out, "Ask for the retrieval, or document that the filter stays and why.")
	case Clarify:
		out = append(out, "Find out: the implant card, the placement report, or a film of the abdomen.")
	case Discharge:
		out = append(out, "Before the patient leaves: who decides on the removal, and on which day is that looked at?")
	case Started:
		out = append(out, "Once treatment is established the filter is no longer needed: name now who arranges its retrieval, and for when.")
		if f.Anticoagulation.Level == "indeterminate" {
			out = append(out, "Whether it is a treatment dose is not settled by dose, weight or laboratory values on record.")
		}
	case Stopped:
		out = append(out, "A filter that stays without an anticoagulant can itself cause thrombosis: if the stop stands, decide on the filter as well.")
	}
	if f.Asked == "drafted" {
		out = append(out, "A draft referral is in the record and nobody has taken it up: "+evidence(f.AskedEvidence)+".")
	}
	return out
}

// facts are the few lines that every card has.
func facts(f assess.Filter) []string {
	placed := day(f.Placed)
	if placed == "" {
		placed = "day not known"
	}
	out := []string{"Placed: " + placed + "; retrieval window: " + f.Window + "; reason for the filter: " + f.Indication + "."}
	level := f.Anticoagulation.Level
	if agent := f.Anticoagulation.Agent; agent != nil && *agent != "" {
		level += " (" + escaped(*agent) + ")"
	}
	return append(out, "Anticoagulant prescribed: "+level+".")
}

// chosen gives the findings that bear most on the card: first those that make it, then the others in their order.
func chosen(k Kind, f assess.Filter) []assess.Finding {
	first := map[Kind][]string{
		Urgent:    assess.Complications(),
		Overdue:   {"retrieval-overdue", "window-past", "indication-resolved", "indication-likely-resolved"},
		Clarify:   {"standing-unclear", "placement-day-unknown", "record-contradiction", "complication-after-removal"},
		Discharge: {"life-expectancy-limited", "retrieval-overdue", "window-past", "window-in", "window-before"},
		Started:   {"anticoagulation-level", "indication-still-present", "indication-resolved"},
		Stopped:   {"anticoagulation-level", "vte-untreated", "indication-still-present"},
		Booked:    {"retrieval-attempt-failed", "retrieval-asked", "anticoagulation-level"},
	}[k]
	out := slices.Clone(f.Findings)
	slices.SortStableFunc(out, func(a, b assess.Finding) int {
		if k == Urgent && (a.Text == f.Headline) != (b.Text == f.Headline) {
			// What the headline names, and so an emergency, is never among what is left out.
			if a.Text == f.Headline {
				return -1
			}
			return 1
		}
		return place(first, a.Rule) - place(first, b.Rule)
	})
	return out[:min(len(out), shownFindings)]
}

func place(list []string, rule string) int {
	if at := slices.Index(list, rule); at >= 0 {
		return at
	}
	return len(list)
}

// known says how a source is known, where it was not read.
func known(x assess.Finding) string {
	switch {
	case x.Known == "seen" || x.Known == "choice" || x.Source == "":
		return ""
	case x.Known == "practice":
		return " (common practice)"
	}
	return " (" + escaped(x.Known) + ")"
}

// limits says what this answer does not stand on.
func (in Input) limits(f assess.Filter) []string {
	var out []string
	if !in.Known {
		out = append(out, "This patient is not followed: this stands on what was sent with this call alone.")
	}
	if len(in.Unsent) > 0 {
		out = append(out, "Not sent with this call, or not wholly, and so not looked at: "+escaped(strings.Join(in.Unsent, ", "))+".")
	}
	for _, m := range f.Missing {
		if m.What == "context" {
			out = append(out, escaped(m.Text))
		}
	}
	if n := len(in.now().Filters); n > 1 {
		out = append(out, "More than one filter is on record for this patient; this is about one of them.")
	}
	return out
}

// evidence names entries of the record.
func evidence(refs []string) string {
	shown := refs[:min(len(refs), shownEvidence)]
	out := make([]string, 0, len(shown)+1)
	for _, r := range shown {
		out = append(out, "`"+strings.Map(func(c rune) rune {
			if c == '`' || c == '|' || c < ' ' {
				return -1
			}
			return c
		}, r)+"`")
	}
	if len(refs) > len(shown) {
		out = append(out, "…")
	}
	return strings.Join(out, " ")
}

// escaped writes text so that nothing in it is taken for Markdown or HTML: it may hold words of the record.
func escaped(s string) string {
	var b strings.Builder
	for _, c := range s {
		switch {
		case strings.ContainsRune("\\`*_{}[]<>#|~!&", c):
			b.WriteByte('\\')
			b.WriteRune(c)
		case c < ' ':
			b.WriteByte(' ')
		default:
			b.WriteRune(c)
		}
	}
	return b.String()
}
