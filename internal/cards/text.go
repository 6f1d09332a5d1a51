package cards

import (
	"strconv"
	"strings"
	"unicode/utf16"

	"dwellwatch/internal/assess"
)

// longestSummary is one less than CDS Hooks forbids: a summary has fewer than 140 characters.
const longestSummary = 139

// caution ends every card.
const caution = "*A draft for clinician review: local protocol and licensed practice decide. Prescribed does not mean taken. Only what coded entries tell is seen here.*"

// card writes the card of one kind.
func (in Input) card(k Kind, f assess.Filter) Card {
	c := Card{
		Summary: short(summary(k, f)), Indicator: indicator(k), Detail: in.detail(k, f),
		Source:          Source{Label: "dwellwatch, policy " + in.now().Policy, Topic: &Coding{TopicSystem, string(k), k.title()}},
		OverrideReasons: Overrides(),
	}
	if page := in.Pages[f.Key]; page != "" && in.Known {
		c.Links = []Link{{Label: "The filter's page: history, evidence, plan", URL: page, Type: "absolute"}}
	}
	if task := in.Tasks[f.Key]; task != nil && in.Known {
		to := "the retrieval clinic"
		if f.Verdict == "clarify" {
			to = "the coordinator, who finds out whether a filter is in"
		}
		c.Suggestions = []Suggestion{{Label: "Draft a referral to " + to, Actions: []Action{
			{Type: "create", Description: "Create the draft Task for " + to + ". It is a proposal; nobody is asked before a clinician approves it.", Resource: task}}}}
		c.SelectionBehavior = "at-most-one"
	}
	return c
}

func indicator(k Kind) string {
	switch k {
	case Urgent:
		return critical
	case Overdue, Stopped:
		return warning
	}
	return info
}

func summary(k Kind, f assess.Filter) string {
	placed := ""
	if s := day(f.Placed); s != "" {
		placed = ", placed " + s
	}
	switch k {
	case Urgent:
		if f.Emergency {
			return "Emergency, telephone now: " + f.Headline
		}
		return "Urgent, telephone now: vena cava filter. " + f.Headline
	case Overdue:
		return "Vena cava filter in" + placed + ": its reason has passed, and nobody has been asked to take it out."
	case Clarify:
		if f.Standing == "in-place" {
			return "A vena cava filter is on record, and the record does not settle which or since when."
		}
		return "The record cannot tell whether a vena cava filter is in."
	case Discharge:
		return "Vena cava filter in" + placed + ": nobody was asked, and there is no day for its removal."
	case Started:
		return "Anticoagulant started, vena cava filter in" + placed + ": plan the retrieval."
	case Stopped:
		if f.Standing == "unclear" {
			return "Anticoagulant stopped while a vena cava filter may be in: thrombosis of filter and leg veins."
		}
		return "Anticoagulant stopped, vena cava filter in" + placed + ": risk of thrombosis."
	case Booked:
		if n := len(gaps(f)); n > 0 {
			return "Retrieval of the vena cava filter: " + strconv.Itoa(n) + " points are still open for its plan."
		}
		return "Retrieval of the vena cava filter: what is on record for its plan."
	}
	return ""
}

// short cuts a summary at a word, so that it stays below the limit however characters are counted.
func short(s string) string {
	if len(utf16.Encode([]rune(s))) <= longestSummary {
		return s
	}
	runes := []rune(s)
	for len(utf16.Encode(runes)) > longestSummary-1 {
		runes = runes[:len(runes)-1]
	}
	cut := string(runes)
	if at := strings.LastIndexByte(cut, ' '); at > longestSummary/2 {
		cut = cut[:at]
	}
	return strings.TrimRight(cut, " ,;:.") + "…"
}

// day writes a range in words; "" where nothing is known.
func day(r *assess.Range) string {
	switch {
	case r == nil, r.Earliest == nil && r.Latest == nil:
		return ""
	case r.Earliest == nil:
		return *r.Latest + " at the latest"
	case r.Latest == nil:
		return *r.Earliest + " at the earliest"
	case *r.Earliest == *r.Latest:
		return *r.Earliest
	}
	return "between " + *r.Earliest + " and " + *r.Latest
}

// gaps lists what the plan of a retrieval still misses, each once.
func gaps(f assess.Filter) []string {
	var out []string
	add := func(text string) {
		for _, have := range out {
			if have == text {
				return
			}
		}
		out = append(out, text)
	}
	if f.Plan != nil {
		for _, a := range f.Plan.Asks {
			add(a.Text)
		}
	}
	for _, m := range f.Missing {
		add(m.Text)
	}
	return out
}
